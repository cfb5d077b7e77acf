"""The tables inside a deposit: files of a folder, entries of a zip, sheets of a workbook, a single CSV."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import PurePosixPath

import numpy as np
import pyarrow as pa

from stillwell.fingerprint import sha256
from stillwell.intake.limits import LONGEST_LINE, MOST_TOML
from stillwell.intake.maps.apply import described, mapped_tables, series_in
from stillwell.intake.maps.map_file import Map, looks_like_map
from stillwell.intake.maps.values import AirSeries, one_series
from stillwell.intake.problem_collector import CannotRead, ProblemCollector
from stillwell.intake.readers.csv_text import read_csv
from stillwell.intake.readers.file_names import name_fault
from stillwell.intake.readers.sheet import Sheet
from stillwell.intake.readers.workbook import read_workbook
from stillwell.intake.readers.zips import unzipped
from stillwell.schemas import DEPOSIT_TABLES
from stillwell.shared_types import RULES, Deposit, DepositFile

POLICY = "policy.toml"
"""File of an office's limits and choices."""
SHEETS = tuple(name for name in DEPOSIT_TABLES if name != "policies")
"""Tables that are a CSV file or a sheet."""
KEPT_OUT = ("people",)
"""Tables that never leave the sealed bytes."""
OF_GAUGINGS = ("gaugings", "points")
"""Tables a gauging may rest on where nobody can say which one a file was."""
REPLACED = "\N{REPLACEMENT CHARACTER}"
"""Stands where bytes are no text."""
QUIET = (".txt", ".md", ".pdf", ".jpg", ".jpeg", ".png")
"""Endings of files that are sealed with a deposit and no table."""


def sheets(deposit: Deposit, collector: ProblemCollector, intake_map: Map | None = None) -> Iterator[Sheet]:
    """Read the tables of a deposit; what cannot be read becomes a problem, never an exception.

    Parameters
    ----------
    deposit : Deposit
    collector : ProblemCollector
        Receives a problem for every file that cannot be read as a table.
    intake_map : Map, optional
        How to read files of another layout; those it does not describe are read as usual.

    Yields
    ------
    Sheet
    """
    files = _files(deposit, collector)
    known = 0
    if not files and not _has_problems(deposit, collector):
        collector.file(deposit.digest, "gaugings", deposit.name, CannotRead("a file at least", "none"))
    series = _series(deposit, files, intake_map, collector) if intake_map is not None else {}
    for file in files:
        tables = _tables if intake_map is None else partial(_mapped, intake_map, series)
        for table in tables(deposit, file, collector):
            known += 1
            yield table
    strange = [file.path for file in files if _may_be_table(_path(file))]
    if not known and strange and not _has_problems(deposit, collector):
        expected = f"a table at least, a file or sheet of the name {', '.join(SHEETS)}, or an intake map for others"
        collector.file(deposit.digest, "gaugings", deposit.name, CannotRead(expected, ", ".join(strange)))


def _has_problems(deposit: Deposit, collector: ProblemCollector) -> bool:
    return any(problem["deposit"] == deposit.digest for problem in collector.problems)


def _may_be_table(path: PurePosixPath) -> bool:
    return path.suffix.lower() in (".csv", ".xlsx") and path.stem.lower() not in KEPT_OUT and not _passed_over(path)


def _series(
    deposit: Deposit, files: list[DepositFile], intake_map: Map, collector: ProblemCollector
) -> dict[str, AirSeries]:
    """Read pressures of the air that files hold for others; those that cannot be read are given back."""
    parts: dict[str, list[AirSeries]] = {}
    for file in files:
        if deposit.kind == "toml" or _passed_over(_path(file)):
            continue
        try:
            for name, part in series_in(file.path, file.data, intake_map):
                parts.setdefault(name, []).append(part)
        except CannotRead as reason:
            collector.file(deposit.digest, "stage", file.path, reason)
    whole: dict[str, AirSeries] = {}
    for name, members in parts.items():
        try:
            whole[name] = one_series(members, name)
        except CannotRead as reason:
            collector.file(deposit.digest, "stage", members[-1].file, reason)
    return whole


def _mapped(
    intake_map: Map, series: Mapping[str, AirSeries], deposit: Deposit, file: DepositFile, collector: ProblemCollector
) -> Iterator[Sheet]:
    """Read a file with a map, or as usual where the map says nothing of it."""
    layout = None
    try:
        readable = deposit.kind != "toml" and not _passed_over(_path(file))
        layout = described(file.path, intake_map) if readable else None
        mapped = mapped_tables(file.path, file.data, layout, series) if layout else None
    except CannotRead as reason:
        for table in [t.table for t in layout.tables] if layout else OF_GAUGINGS:
            collector.file(deposit.digest, table, file.path, reason)
        return
    if mapped is None:
        yield from _tables(deposit, file, collector)
        return
    collector.note(deposit.digest, file.path, f"read with the intake map {intake_map.name!r}, {intake_map.digest[:16]}")
    for name, sheet in mapped:
        yield _placed(deposit, name, file.path, sheet, collector)


def _path(file: DepositFile) -> PurePosixPath:
    return PurePosixPath(file.path.replace("\\", "/"))


def _passed_over(path: PurePosixPath) -> bool:
    """Say whether a file is what systems and offices leave lying about."""
    return path.name.startswith((".", "~$")) or "__MACOSX" in path.parts


def _files(deposit: Deposit, collector: ProblemCollector) -> list[DepositFile]:
    if deposit.kind != "zip":
        return [file for file in deposit.files if _well_named(deposit, file, collector)]
    try:
        return unzipped(deposit.files[0])
    except CannotRead as reason:
        collector.file(deposit.digest, "gaugings", deposit.name, reason)
        return []


def _well_named(deposit: Deposit, file: DepositFile, collector: ProblemCollector) -> bool:
    """Give back a file whose name cannot be printed as it is; what it may have held is not relied on."""
    fault = name_fault(file.path)
    for table in OF_GAUGINGS if fault else ():
        collector.file(deposit.digest, table, file.path, CannotRead("a name that can be read and printed", fault))
    return not fault


def _tables(deposit: Deposit, file: DepositFile, collector: ProblemCollector) -> Iterator[Sheet]:
    path = _path(file)
    ending, name = path.suffix.lower(), path.stem.lower()
    if _passed_over(path) or ending in QUIET:
        return
    if path.name.lower() == POLICY or deposit.kind == "toml":
        yield from _policy(deposit, file, collector)
    elif ending == ".xlsx":
        for sheet_name, sheet in _read_workbook(deposit, file, collector):
            where = f"{file.path}:{sheet_name}"
            if isinstance(sheet, CannotRead):
                table = sheet_name.strip().lower()
                collector.file(deposit.digest, table if table in SHEETS else "gaugings", where, sheet)
                continue
            yield from _known(deposit, sheet_name.strip().lower(), where, sheet, collector)
    elif ending != ".csv":
        collector.note(deposit.digest, file.path, "not a table; it stays in the sealed bytes")
    elif name in SHEETS:
        try:
            sheet = read_csv(file.data)
        except CannotRead as reason:
            collector.file(deposit.digest, name, file.path, reason)
        else:
            yield from _known(deposit, name, file.path, sheet, collector)
    elif name not in KEPT_OUT:
        _unknown(deposit, name, file.path, collector)


def _policy(deposit: Deposit, file: DepositFile, collector: ProblemCollector) -> Iterator[Sheet]:
    """Read a policy as a table of one row that holds the whole file."""
    if len(file.data) > MOST_TOML:
        reason = CannotRead(f"a policy or map of at most {MOST_TOML} bytes", str(len(file.data)))
        collector.file(deposit.digest, "policies", file.path, reason)
        return
    try:
        text = file.data.decode("utf-8")
    except UnicodeDecodeError as error:
        actual = f"the byte 0x{file.data[error.start]:02X} at offset {error.start}"
        collector.file(deposit.digest, "policies", file.path, CannotRead("UTF-8 text", actual))
        return
    if looks_like_map(text):
        collector.note(deposit.digest, file.path, "an intake map; it feeds no table and stays in the sealed bytes")
        return
    cells = (pa.array(["office"]), pa.array([sha256(file.data)]), pa.array([text]))
    sheet = Sheet(("policy", "policy_digest", "text"), cells, np.array([1], dtype=np.int64))
    yield _placed(deposit, "policies", file.path, sheet, collector)


def _known(deposit: Deposit, name: str, where: str, sheet: Sheet, collector: ProblemCollector) -> Iterator[Sheet]:
    if name in KEPT_OUT:
        return
    if name not in SHEETS:
        _unknown(deposit, name, where, collector)
        return
    yield _placed(deposit, name, where, sheet, collector)


def _placed(deposit: Deposit, name: str, where: str, sheet: Sheet, collector: ProblemCollector) -> Sheet:
    """Pass on what the reader noted, and say where the sheet stood."""
    for note in sheet.notes:
        collector.note(deposit.digest, where, note)
    return replace(sheet, table=name, deposit=deposit.digest, file=where)


def _unknown(deposit: Deposit, name: str, where: str, collector: ProblemCollector) -> None:
    """Note a table nobody knows; where it is all there is of a deposit, give it back."""
    known = ", ".join(SHEETS)
    if deposit.kind == "csv":
        reason = CannotRead(f"a file named after its table ({known})", f"{name}.csv")
        collector.file(deposit.digest, name, where, reason)
    else:
        collector.note(deposit.digest, where, f"no table of that name ({known}); it stays in the sealed bytes")


def _read_workbook(
    deposit: Deposit, file: DepositFile, collector: ProblemCollector
) -> list[tuple[str, Sheet | CannotRead]]:
    try:
        return read_workbook(file.data)
    except CannotRead as reason:
        collector.file(deposit.digest, "points", file.path, reason)
        return []


def labels_in(deposit: Deposit, path: str, rules: int = RULES) -> frozenset[str] | None:
    """Read the labels of gaugings off a file that cannot be read as a table.

    Parameters
    ----------
    deposit : Deposit
    path : str
        Of a file in it, as a reason names it.
    rules : int
        By which rules; see ``shared_types.RULES``.

    Returns
    -------
    frozenset of str, or None
        What stands in the column ``gauging``; None where the file shows no such column or, from rules 3 on, where a
        line does not show its label: it is cut short, quoted or not text.
    """
    try:
        files = unzipped(deposit.files[0]) if deposit.kind == "zip" else deposit.files
    except CannotRead:
        return None
    data = next((file.data for file in files if file.path == path), b"")
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    # line by line, each up to a bound: a file that cannot be read may be one line of half a gigabyte
    with io.TextIOWrapper(io.BytesIO(data), encoding, errors="replace") as text:
        header = text.readline(LONGEST_LINE)
        for mark in (",", ";", "\t"):
            names = [_bare(cell) for cell in header.split(mark)]
            if "gauging" in names:
                at = names.index("gauging")
                lines = iter(partial(text.readline, LONGEST_LINE), "")
                return _labels(lines, mark, at) if rules < 3 else _clear_labels(lines, mark, at, len(names))
    return None


def _labels(lines: Iterator[str], mark: str, at: int) -> frozenset[str] | None:
    """Read the cells of a column; None where a line is longer than any may be."""
    labels = set()
    for line in lines:
        if len(line) == LONGEST_LINE:
            return None
        cells = line.split(mark)
        if len(cells) > at:
            labels.add(_bare(cells[at]))
    return frozenset(labels)


def _clear_labels(lines: Iterator[str], mark: str, at: int, width: int) -> frozenset[str] | None:
    """Read the cells of a column; None where a line may belong to a gauging that it does not clearly name."""
    labels = set()
    for line in lines:
        if not line.strip():
            continue
        cells = line.split(mark)
        label = _bare(cells[at]) if len(cells) > at else ""
        whole = line.endswith("\n") and len(cells) >= width
        if not whole or not label or '"' in line or REPLACED in label or "\0" in label:
            return None
        labels.add(label)
    return frozenset(labels)


def _bare(cell: str) -> str:
    return cell.strip().strip('"').strip()
