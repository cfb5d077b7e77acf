"""Canonical JSON and digests. Reads no file and no clock."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

MANY = 2**20
"""Bytes from which on a second thread pays."""


def canonical_json(value: Any) -> bytes:
    """Write a value as canonical JSON.

    Parameters
    ----------
    value : JSON-like

    Returns
    -------
    bytes
        UTF-8, keys sorted, no spaces, no ASCII escaping, NaN refused.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8")


def sha256(data: bytes) -> str:
    """Return the sha256 of some bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def sha512(data: bytes) -> str:
    """Return the sha512 of some bytes, in hexadecimal."""
    return hashlib.sha512(data).hexdigest()


def both_digests(data: bytes) -> tuple[str, str]:
    """Return sha512 and sha256 of some bytes, in hexadecimal; of many bytes both at the same time."""
    if len(data) < MANY:
        return sha512(data), sha256(data)
    with ThreadPoolExecutor(max_workers=1) as pool:
        other = pool.submit(sha256, data)
        return sha512(data), other.result()


def folder_digest(files: Iterable[tuple[str, bytes]]) -> str:
    """Return the deposit digest of a folder.

    ``sha256(canonical JSON of [[path, size, sha256], ...] sorted by path)``.

    Parameters
    ----------
    files : iterable of (str, bytes)
        Path relative to the folder with ``/``, and content.

    Returns
    -------
    str
    """
    return digest_of_rows((path, len(data), sha256(data)) for path, data in files)


def digest_of_rows(rows: Iterable[tuple[str, int, str]]) -> str:
    """Return the deposit digest of a folder whose files were digested already; see ``folder_digest``.

    Parameters
    ----------
    rows : iterable of (str, int, str)
        Path relative to the folder with ``/``, size in bytes, and sha256.

    Returns
    -------
    str
    """
    return sha256(canonical_json(sorted([path, size, digest] for path, size, digest in rows)))
