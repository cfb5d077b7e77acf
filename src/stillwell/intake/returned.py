"""What goes back to the field party: one page of reasons per deposit, in plain JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

import pandas as pd

from stillwell.fingerprint import sha256
from stillwell.shared_types import NOTE_COLUMNS, PROBLEM_COLUMNS, Deposit


def returned_documents(deposits: Sequence[Deposit], problems: pd.DataFrame, notes: pd.DataFrame) -> dict[str, bytes]:
    """Write the reasons why something of a deposit was returned.

    Parameters
    ----------
    deposits : sequence of Deposit
    problems, notes : DataFrame
        With the columns of ``PROBLEM_COLUMNS`` and ``NOTE_COLUMNS``.

    Returns
    -------
    dict of str to bytes
        By path in the archive; named by the deposit and by what is said, so that another look at the same deposit
        writes another page.
    """
    out = {}
    by_deposit = dict(list(problems.groupby("deposit")))
    noted = dict(list(notes.groupby("deposit")))
    for deposit in deposits:
        if deposit.digest not in by_deposit:
            continue
        page = {
            "deposit": deposit.digest,
            "name": deposit.name,
            "what_happened": "what is listed here was not taken; everything else was; the bytes are sealed as received",
            "reasons": _records(by_deposit[deposit.digest], PROBLEM_COLUMNS[1:]),
            "notes": _records(noted[deposit.digest], NOTE_COLUMNS[1:]) if deposit.digest in noted else [],
        }
        data = (json.dumps(page, ensure_ascii=False, indent=1) + "\n").encode("utf-8")
        out[f"{_page(deposit.digest)}{sha256(data)[:8]}.json"] = data
    return out


def pages_of(digest: str, listed: Iterable[str]) -> list[str]:
    """Pick the pages of reasons of one deposit among the paths of an archive."""
    return sorted(path for path in listed if path.startswith(_page(digest)))


def _page(digest: str) -> str:
    return f"returned/{digest[:16]}-"


def _records(rows: pd.DataFrame, names: Sequence[str]) -> list[dict[str, object]]:
    plain = rows[list(names)].astype(object).where(rows[list(names)].notna(), None)
    return [
        {str(name): int(value) if name == "line" and value is not None else value for name, value in row.items()}
        for row in plain.to_dict("records")
    ]
