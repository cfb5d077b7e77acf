"""Codes that differ from a known one only by case or Unicode form."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.intake.values.constant import distinct
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.naming import Naming, naming

Code = tuple[str, ...]
"""A code, after the site within which it is unique where it is."""


def folded(code: str) -> str:
    """Write a code so that case and Unicode form make no difference (NFKC, casefold, NFKC)."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", code).casefold())


def folded_code(code: Code) -> Code:
    """Fold a code; the site before it stays."""
    return (*code[:-1], folded(code[-1]))


Known = Mapping[Code, Sequence[Code]]
"""Known codes by what they are whatever their case and Unicode form."""

ORDER = (
    "sites", "instruments", "gaugings", "gauge_heights", "datums", "stage", "corrections", "conditions", "ratings",
    "rating_segments", "calibrations", "checks", "shifts",
)  # fmt: skip
"""Tables in the order in which a page lists their problems; others follow."""


def asked(rules: int) -> list[Naming]:
    """List the columns of deposits whose codes are held against known ones.

    Parameters
    ----------
    rules : int
        By which rules; see ``shared_types.RULES``.

    Returns
    -------
    list of Naming
        Those with a register first; under the second rules, only the columns called as their register calls the code.
    """
    every = sorted(naming(DEPOSIT_TABLES), key=lambda use: ORDER.index(use.table) if use.table in ORDER else len(ORDER))
    if rules >= 3:
        return every
    return [use for use in every if use.registered and use.column == use.kind] if rules == 2 else []


def known_codes(kept: Iterable[Code], incoming: Iterable[Code]) -> Known:
    """Collect the codes that are known.

    Parameters
    ----------
    kept : iterable of Code
        Codes in the archive; where two of them are alike, neither takes new rows.
    incoming : iterable of Code
        Codes of the batch, in order; the first of several holds where the archive has none.

    Returns
    -------
    Known
    """
    known: dict[Code, list[Code]] = {}
    for code in sorted(set(kept)):
        known.setdefault(folded_code(code), []).append(code)
    for code in dict.fromkeys(incoming):
        known.setdefault(folded_code(code), [code])
    return known


def alike(codes: Iterable[Code], known: Known) -> dict[Code, str]:
    """Find codes that are another known code but for case or Unicode form.

    Parameters
    ----------
    codes : iterable of Code
        Codes to hold against what is known.
    known : Known

    Returns
    -------
    dict of Code to str
        The known code by the code that is returned.
    """
    out = {}
    for code in dict.fromkeys(codes):
        others = [other for other in known.get(folded_code(code), []) if other != code]
        if others:
            out[code] = others[0][-1]
    return out


def incoming_codes(tables: Mapping[str, pd.DataFrame], uses: Sequence[Naming], deposits: Sequence[str]) -> list[Code]:
    """List the codes that a batch uses, in the order handed in.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    uses : sequence of Naming
        Columns of one kind of thing.
    deposits : sequence of str
        Digests in the order handed in.

    Returns
    -------
    list of Code
        By deposit, then by table and column as ``uses`` names them, then by row.
    """
    place = {digest: i for i, digest in enumerate(deposits)}
    codes = [code for use in uses for code in distinct(tables[use.table], ("deposit", *use.columns))]
    return [code[1:] for code in sorted(codes, key=lambda code: place.get(code[0], len(place)))]


def rows_alike(rows: pd.DataFrame, use: Naming, known: Known) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Find the rows of a table whose code is another known one but for case or Unicode form.

    Parameters
    ----------
    rows : DataFrame
    use : Naming
    known : Known

    Yields
    ------
    str, array of int
        A known code, and the places of the rows that use one other code instead of it.
    """
    twins = alike(distinct(rows, use.columns), known)
    places = rows.groupby(list(use.columns), sort=False).indices if twins else {}
    for code, other in twins.items():
        yield other, np.asarray(places[code if len(code) > 1 else code[0]], dtype=np.intp)
