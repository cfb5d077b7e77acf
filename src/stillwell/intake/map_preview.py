"""The first rows of a deposit as a map would have them understood, for a look before anything is taken."""

from __future__ import annotations

import pandas as pd

from stillwell.intake.maps.map_file import Map
from stillwell.intake.problem_collector import ProblemCollector
from stillwell.intake.typed import typed_tables
from stillwell.intake.unpack import sheets
from stillwell.shared_types import Deposit


def preview(deposit: Deposit, intake_map: Map, rows: int = 5) -> dict[str, pd.DataFrame]:
    """Show the first rows of every table of a deposit, in SI and UTC.

    Parameters
    ----------
    deposit : Deposit
    intake_map : Map
    rows : int
        How many rows of each table.

    Returns
    -------
    dict of str to DataFrame
        Tables in which there is a row, in the order of the file, with the file and line of each row and the columns
        that hold anything. A cell
        that could not be read is missing; the reasons come from ``interpret`` with the same map.
    """
    batch_sheets = list(sheets(deposit, ProblemCollector(), intake_map))
    tables, _ = typed_tables(batch_sheets, ProblemCollector())
    shown = {}
    for name, rows_read in tables.items():
        if rows_read.empty:
            continue
        frame = rows_read.drop(columns="deposit").dropna(axis="columns", how="all")
        trail = ["row_file", "row_line"]
        shown[name] = frame[trail + [c for c in frame if c not in trail]].sort_values(trail, kind="stable").head(rows)
    return shown
