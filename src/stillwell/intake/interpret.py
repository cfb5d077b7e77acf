"""A batch of deposits to canonical frames: text, units, times, one schema pass, the rules of a gauging."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pyarrow.compute as pc

from stillwell.assessment.policy import Policy, policy_from, refuse_retired
from stillwell.errors import PolicyError
from stillwell.intake.checks.rules import violations
from stillwell.intake.checks.schema_pass import crowded_deposits, schema_failures
from stillwell.intake.limits import MOST_CODES
from stillwell.intake.maps.map_file import Map
from stillwell.intake.problem_collector import ALL_RETURNED, RETURNED, ROW_LEFT_OUT, CannotRead, ProblemCollector
from stillwell.intake.raw_samples import with_samples
from stillwell.intake.readers.file_names import label_shown
from stillwell.intake.readers.free_memory import give_back
from stillwell.intake.readers.sheet import BadCell, Sheet
from stillwell.intake.readers.toml_text import read_toml
from stillwell.intake.typed import typed_tables
from stillwell.intake.unpack import labels_in, sheets
from stillwell.intake.values.constant import missing, taken
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.schemas.derive import columns
from stillwell.shared_types import RULES, Deposit, Understood

POLICY_LEFT = "the policy is not adopted; the one in force stays"

MOST_LISTED = 50
"""Bad cells of one column of one file that are listed one by one where no gauging depends on them."""
OF_GAUGINGS = ("gaugings", "points", "samples")
"""Tables of which a bad row gives back its gauging; of any other table it is left out by itself."""


def interpret(
    deposits: Sequence[Deposit], base: Policy | None = None, intake_map: Map | None = None, rules: int = RULES
) -> Understood:
    """Understand a batch of deposits.

    Parameters
    ----------
    deposits : sequence of Deposit
    base : Policy, optional
        What holds where a policy handed in is silent; without it such a policy must be whole.
    intake_map : Map, optional
        How to read files of another layout.
    rules : int
        By which rules; see ``shared_types.RULES``.

    Returns
    -------
    Understood
        Only what can be taken; every reason against the rest names file, line, column, what was expected and found.
    """
    collector = ProblemCollector()
    batch_sheets = [
        part
        for deposit in deposits
        for part in sheets(deposit, collector, intake_map)
        if not _too_many_codes(part, collector)
    ]
    tables, bad_cells = typed_tables(batch_sheets, collector)
    del batch_sheets  # the text of a season takes more memory than its numbers
    give_back()
    tables = _with_defaults(tables)
    tables["points"] = with_samples(tables["points"], tables["samples"])
    # points first: what they lack explains what their gauging lacks
    order = sorted(tables, key=lambda name: name != "points")
    bad_rows = {name: _judge(name, tables[name], bad_cells[name], collector) for name in order}
    bad_rows["policies"] |= _unusable_policies(tables["policies"], base, collector, rules)
    _give_back_of_broken_files(tables, collector, {deposit.digest: deposit for deposit in deposits}, rules)
    for problem in violations(tables["gaugings"], tables["points"], collector, rules):
        collector.add(**problem, consequence=RETURNED)
    collector.close()
    problems, notes = collector.frames()
    tables = {name: _kept(rows, ~bad_rows[name]) for name, rows in tables.items()}
    if collector.crowded:
        tables = {name: rows[~rows["deposit"].isin(collector.crowded)] for name, rows in tables.items()}
    tables = without_gaugings(tables, problems)
    return Understood(tables, problems.assign(gauging=problems["gauging"].map(label_shown)), notes)


def _too_many_codes(sheet: Sheet, collector: ProblemCollector) -> bool:
    """Give back a file that names more gaugings, sites or meters than a deposit can be about."""
    for name in {"gauging", "site", "instrument"} & set(sheet.header):
        cells = sheet.cells[sheet.header.index(name)]
        if len(cells) > MOST_CODES and (count := pc.count_distinct(cells).as_py()) > MOST_CODES:
            reason = CannotRead(f"at most {MOST_CODES} different codes in a column", str(count), None, name)
            collector.file(sheet.deposit, sheet.table, sheet.file, reason)
            return True
    return False


def without_gaugings(tables: dict[str, pd.DataFrame], problems: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Leave out every gauging that a problem names, with its points; readings of a gauge stay, they are facts.

    Parameters
    ----------
    tables : dict of str to DataFrame
    problems : DataFrame

    Returns
    -------
    dict of str to DataFrame
        With a fresh index.
    """
    named = problems.dropna(subset=["gauging"])
    returned = pd.MultiIndex.from_arrays([named["deposit"], named["gauging"]])
    out = dict(tables)
    for name in OF_GAUGINGS:
        rows = tables[name]
        out[name] = _kept(rows, ~_labels(rows).isin(returned)) if len(returned) else rows
    labels = _labels(out["gaugings"])
    for name in ("points", "samples"):
        out[name] = _kept(out[name], _labels(out[name]).isin(labels))
    return {name: rows.reset_index(drop=True) for name, rows in out.items()}


def _labels(rows: pd.DataFrame) -> pd.MultiIndex:
    return pd.MultiIndex.from_frame(rows[["deposit", "gauging"]])


def _kept(rows: pd.DataFrame, mask: np.ndarray) -> pd.DataFrame:
    """Keep some rows; a table of millions is not copied for nothing."""
    return rows if mask.all() else taken(rows, mask)


def _with_defaults(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    points, gaugings = tables["points"], tables["gaugings"]
    points = points.assign(**_filled("points", points))
    has_points = _labels(gaugings).isin(_labels(points[["deposit", "gauging"]].drop_duplicates()))
    filled = {name: values.where(has_points, gaugings[name]) for name, values in _filled("gaugings", gaugings).items()}
    tables = tables | {"points": points, "gaugings": gaugings.assign(**filled)}
    return {name: _in_order(name, rows) for name, rows in tables.items()}


def _filled(table: str, rows: pd.DataFrame) -> dict[str, pd.Series]:
    """Fill the empty cells of the columns that the schema gives a value for."""
    given = {c.name: c for c in columns(DEPOSIT_TABLES[table]) if c.empty}
    return {
        name: rows[name].fillna(int(c.empty.value) if c.kind == "count" else c.empty.value)
        for name, c in given.items()
        if c.empty
    }


def _in_order(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    names = [c.name for c in columns(DEPOSIT_TABLES[name])]
    if list(rows.columns) == names:
        return rows.copy(deep=False)
    absent = {n: missing("text", len(rows)) for n in names if n not in rows}
    return rows.assign(**absent)[names]


def _judge(name: str, rows: pd.DataFrame, unreadable: list[BadCell], collector: ProblemCollector) -> np.ndarray:
    """Check a table's rows against its schema; add a problem for each wrong cell and return which rows are bad."""
    bad = np.zeros(len(rows), dtype=bool)
    reported = {(cell.row, cell.column) for cell in unreadable}
    wrong_rows = {cell.row for cell in unreadable}
    bad[list(wrong_rows)] = True
    cells = list(unreadable)
    collector.crowded |= crowded_deposits(name, rows)
    judged = rows[~rows["deposit"].isin(collector.crowded)] if collector.crowded else rows
    for row, column, expected, actual in schema_failures(name, judged):
        if actual == "nothing" and row in wrong_rows:
            # a cell that could not be read is empty now, and has its problem already
            continue
        if name == "gaugings" and column == "method" and actual == "nothing":
            expected = "points, or a method and a discharge where there are none"
            file = collector.broken_file(rows["deposit"].iloc[row], "points")
            actual = f"no method, and problems in {file}, listed here" if file else "neither points nor a method"
        if not bad[row] or (row, column) not in reported:
            cells.append(BadCell(row, column, expected, actual))
        bad[row] = True
    for row, column, expected, actual in cells if name in OF_GAUGINGS else _shortened(rows, cells):
        _add_problem(name, rows, row, column, expected, actual, collector)
    return bad


def _shortened(rows: pd.DataFrame, cells: list[BadCell]) -> list[BadCell]:
    """Keep the first bad cells of each column of a file; one cell more gives the number and lines of the others."""
    if not cells:
        return []
    out: list[BadCell] = []
    counts: dict[tuple[str, str, str], list[int]] = {}
    places = rows[["deposit", "row_file"]].iloc[[cell.row for cell in cells]].itertuples(index=False)
    for cell, place in zip(cells, places, strict=True):
        rest = counts.setdefault((*place, cell.column), [])
        rest.append(cell.row)
        if len(rest) <= MOST_LISTED:
            out.append(cell)
    for (_, _, column), rest in counts.items():
        if len(rest) > MOST_LISTED:
            lines = rows["row_line"].iloc[rest[MOST_LISTED:]]
            actual = (
                f"others in {len(lines):,} more rows, lines {lines.min()} to {lines.max()}, which are left out as well"
            )
            out.append(BadCell(rest[MOST_LISTED], column, "what was expected on the lines told before", actual))
    return out


def _add_problem(
    name: str, rows: pd.DataFrame, row: int, column: str, expected: str, actual: str, collector: ProblemCollector
) -> None:
    deposit, file, line = rows["deposit"].iloc[row], rows["row_file"].iloc[row], rows["row_line"].iloc[row]
    gauging = None
    consequence = ROW_LEFT_OUT
    if name in OF_GAUGINGS:
        label = rows["gauging"].iloc[row]
        if pd.isna(label):
            collector.broken.add((deposit, name, file, True))
            consequence = ALL_RETURNED
        else:
            gauging, consequence = str(label), RETURNED
    collector.add(deposit, gauging, file, int(line), column, expected, actual, consequence)


def _unusable_policies(rows: pd.DataFrame, base: Policy | None, collector: ProblemCollector, rules: int) -> np.ndarray:
    """Flag policies that cannot be used; each becomes a problem with its line."""
    bad = np.zeros(len(rows), dtype=bool)
    for i, row in enumerate(rows.to_dict("records")):
        try:
            read_toml(str(row["text"]))
            policy_from(str(row["text"]), base)
            if rules >= 4:
                refuse_retired(str(row["text"]))
        except (CannotRead, PolicyError) as error:
            bad[i] = True
            named = re.search(r"line (\d{1,9})", str(error))
            line = int(named[1]) if named else 1
            message = f"policy: {error}; the policy is not used" if isinstance(error, CannotRead) else str(error)
            where = (row["deposit"], None, row["row_file"], line, None)
            collector.add(*where, "a policy that can be used", message, POLICY_LEFT)
    return bad


def _give_back_of_broken_files(
    tables: dict[str, pd.DataFrame], collector: ProblemCollector, deposits: Mapping[str, Deposit], rules: int
) -> None:
    """Give back the gaugings that a file of points or samples belongs to which cannot be relied on, and no others.

    Where the file does not say whose rows it held, a gauging is taken only if it cannot miss any: ``_whole``.
    """
    for digest, table, file, readable in sorted(collector.broken):
        if table not in ("points", "samples"):
            continue
        gaugings, rows = (part[part["deposit"] == digest] for part in (tables["gaugings"], tables[table]))
        if readable:
            affected = gaugings["gauging"].isin(rows.loc[rows["row_file"] == file, "gauging"])
        elif (labels := labels_in(deposits[digest], file, rules)) is not None:
            affected = gaugings["gauging"].isin(labels)
        elif rules >= 3:
            affected = ~gaugings["gauging"].isin(_whole(tables["points"][tables["points"]["deposit"] == digest], table))
        else:
            # nobody can say whose points they were: whatever has none that can be read may miss them
            affected = ~gaugings["gauging"].isin(rows["gauging"]) & (table == "points")
        mine = gaugings[affected]
        for label, where, line in zip(mine["gauging"], mine["row_file"], mine["row_line"], strict=True):
            if pd.notna(label):
                expected, actual = f"{table} of the gauging that can be read", f"problems in {file}, listed here"
                collector.add(digest, label, where, int(line), "gauging", expected, actual, RETURNED)


def _whole(points: pd.DataFrame, table: str) -> set[str]:
    """Name the gaugings of a deposit whose readable rows of ``points`` leave no room for more.

    Their verticals run from edge to edge without a number left out. Nothing shows that no sample is missing.
    """
    if table != "points":
        return set()
    known = points.dropna(subset=["gauging", "vertical"]).drop_duplicates(["gauging", "vertical"])
    whole = set()
    for label, rows in known.groupby("gauging"):
        numbers = rows["vertical"].astype("int64").to_numpy()
        ends = rows["kind"].to_numpy()[[numbers.argmin(), numbers.argmax()]]
        if len(numbers) > 1 and np.ptp(numbers) == len(numbers) - 1 and set(ends) == {"edge"}:
            whole.add(str(label))
    return whole
