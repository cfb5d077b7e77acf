"""Codes that differ from a known one only by case or Unicode form."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence

import pandas as pd


def folded(code: str) -> str:
    """Write a code so that case and Unicode form make no difference (NFKC, casefold, NFKC)."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", code).casefold())


Known = Mapping[str, Sequence[str]]
"""Known codes by what they are whatever their case and Unicode form."""


def known_codes(kept: Iterable[str], incoming: Iterable[str]) -> Known:
    """Collect the codes that are known.

    Parameters
    ----------
    kept : iterable of str
        Codes in the archive; where two of them are alike, neither takes new rows.
    incoming : iterable of str
        Codes the batch registers, in order; the first of several holds where the archive has none.

    Returns
    -------
    Known
    """
    known: dict[str, list[str]] = {}
    for code in sorted(set(kept)):
        known.setdefault(folded(code), []).append(code)
    for code in dict.fromkeys(incoming):
        known.setdefault(folded(code), [code])
    return known


def alike(codes: pd.Series, known: Known) -> dict[str, str]:
    """Find codes that are another known code but for case or Unicode form.

    Parameters
    ----------
    codes : Series of str
        Codes to hold against what is known.
    known : Known

    Returns
    -------
    dict of str to str
        The known code by the code that is returned.
    """
    out = {}
    for code in codes.dropna().unique():
        others = [other for other in known.get(folded(code), []) if other != code]
        if others:
            out[str(code)] = others[0]
    return out
