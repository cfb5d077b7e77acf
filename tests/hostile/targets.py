"""What is fuzzed: each takes any bytes, and fails if a reader raises what it may not, or loses a row in silence."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from stillwell.assessment.policy import policy_from
from stillwell.errors import PolicyError, StillwellError
from stillwell.fingerprint import folder_digest, sha256
from stillwell.intake.interpret import interpret
from stillwell.intake.maps.map_file import map_from
from stillwell.intake.problem_collector import CannotRead, ProblemCollector
from stillwell.intake.readers.csv_text import read_csv
from stillwell.intake.readers.toml_text import read_toml
from stillwell.intake.readers.workbook import read_workbook
from stillwell.intake.readers.zips import unzipped
from stillwell.intake.typed import typed_tables
from stillwell.intake.unpack import sheets
from stillwell.pipeline.committing import office_policy
from stillwell.shared_types import Deposit, DepositFile, Understood
from tests.hostile.making import points_sheet, workbook

TABLES = ("gaugings", "points", "gauge_heights", "sites", "instruments", "calibrations", "checks", "reviews", "samples")
GAUGINGS = b"gauging,site,started_at,ended_at\nG1,S1,2025-05-01T10:00+02:00,2025-05-01T11:00+02:00\n"
POINTS = (
    b"gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s\n"
    b"G1,1,0,0,edge,,\nG1,2,1,0.5,open,0.6,0.4\nG1,3,2,0,edge,,\n"
)
FOREIGN = (
    b'Place: S1\nstart;end;who\n01.05.2025 10:00;01.05.2025 11:00;A\n02.05.2025 10:00;x;\n\n03.05.2025 1:00;1,5;"a;b"\n'
)
CUT = b"\n--\n"
"""What parts the files of a deposit in one input."""


def _folder(files: dict[str, bytes]) -> Deposit:
    return Deposit("d", "folder", folder_digest(files.items()), tuple(DepositFile(n, d) for n, d in files.items()))


def read_a_csv(data: bytes) -> None:
    """Read a table of text: every row the standard reader sees is there or the file is refused."""
    try:
        sheet = read_csv(data)
    except CannotRead:
        return
    text = io.StringIO(data.decode("utf-8-sig"), newline="")
    rows = list(csv.reader(text, delimiter=sheet.delimiter))
    filled = [row for row in rows if any(cell.strip() for cell in row)]
    assert len(filled) - 1 == len(sheet.lines), (len(filled), len(sheet.lines))
    for place, column in enumerate(sheet.cells):
        kept = [cell.strip() for cell in column.to_pylist()]
        # what is blank in Unicode and blank to Arrow may differ at the ends; the words may not
        assert [row[place].strip() for row in filled[1:]] == kept


def read_a_zip(data: bytes) -> None:
    """Unpack a zip."""
    try:
        files = unzipped(DepositFile("d.zip", data))
    except CannotRead:
        return
    assert len({file.path for file in files}) == len(files)
    found = list(sheets(Deposit("d.zip", "zip", sha256(data), (DepositFile("d.zip", data),)), ProblemCollector()))
    assert {part.file.partition(":")[0] for part in found} <= {file.path for file in files}


@cache
def _book() -> tuple[dict[str, bytes], str]:
    with TemporaryDirectory() as folder:
        data = workbook(Path(folder) / "t")
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}, points_sheet(data)


def read_a_workbook(data: bytes) -> None:
    """Read a workbook of which one part is the input: the first byte says which, mostly its sheet of points."""
    parts, sheet = _book()
    names = sorted(parts)
    chosen = names[data[0]] if data and data[0] < len(names) else sheet
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, data[1:] if name == chosen else content)
    for book in (out.getvalue(), data):
        with suppress(CannotRead):
            read_workbook(book)


def read_a_map(data: bytes) -> None:
    """Read an intake map, and a file with it."""
    try:
        made = map_from(data.decode("utf-8"))
    except (StillwellError, UnicodeDecodeError):
        return
    deposit = _folder({"notes.csv": FOREIGN, "gaugings.csv": GAUGINGS, "points.csv": POINTS})
    interpret([deposit], office_policy()[0], made)


def read_a_policy(data: bytes) -> None:
    """Read a policy: it becomes a table of one row, or there is a word against it."""
    collector = ProblemCollector()
    found = list(sheets(Deposit("p.toml", "toml", sha256(data), (DepositFile("p.toml", data),)), collector))
    assert len(found) + len(collector.problems) + len(collector.notes) > 0
    for sheet in found:
        text = sheet.cells[2][0].as_py()
        assert text == data.decode("utf-8")
        with suppress(CannotRead, PolicyError):
            read_toml(text)
            policy_from(text, office_policy()[0])


def read_a_table(data: bytes) -> None:
    """Type the cells of a table that the first byte chooses: as many rows come out as went in."""
    name = TABLES[data[0] % len(TABLES)] if data else TABLES[0]
    collector = ProblemCollector()
    found = list(sheets(_folder({f"{name}.csv": data[1:]}), collector))
    tables, _ = typed_tables(found, collector)
    told = any(problem["file"] for problem in collector.problems)
    assert told or len(tables[name]) == sum(len(part.lines) for part in found)


def read_a_deposit(data: bytes) -> None:
    """Read a folder: its gaugings, its points, and a third table that the first byte chooses."""
    parts = (data[1:] if data else b"").split(CUT, 2)
    files = dict(zip(("gaugings.csv", "points.csv"), [*parts, GAUGINGS, POINTS][:2], strict=False))
    if len(parts) > 2:
        files[f"{TABLES[data[0] % len(TABLES)]}.csv"] = parts[2]
    _understood(_folder(files))


def _understood(deposit: Deposit) -> None:
    understood = interpret([deposit], office_policy()[0])
    if deposit.kind == "folder":
        for name in ("gaugings", "points"):
            _nothing_lost(name, deposit, understood)


def _nothing_lost(name: str, deposit: Deposit, understood: Understood) -> None:
    """Assert that every row of a table was taken, or its gauging returned, or its file, or the row itself."""
    told = understood.problems
    whole = set(told[told["gauging"].isna()]["file"])
    if f"{name}.csv" in whole:
        return
    sheet = read_csv(next(file.data for file in deposit.files if file.path == f"{name}.csv"))
    if "gauging" not in sheet.header:
        assert not len(sheet.lines) or len(told), "rows without a label"
        return
    labels = sheet.cells[sheet.header.index("gauging")].to_pylist()
    returned = set(told["gauging"].dropna())
    rows = understood.tables[name]
    taken = set(rows["row_line"]) if len(rows) else set()
    samples = {"points.csv", "samples.csv"} & whole
    for label, line in zip(labels, sheet.lines, strict=True):
        spelled = label if label.isprintable() else None
        assert line in taken or label in returned or spelled is None or samples, (name, label, line)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "csv": read_a_csv,
    "zip": read_a_zip,
    "workbook": read_a_workbook,
    "map": read_a_map,
    "policy": read_a_policy,
    "table": read_a_table,
    "deposit": read_a_deposit,
}


def starts(target: str) -> list[bytes]:
    """Return the inputs a target starts from: those kept beside the tests, and good ones made here."""
    kept = [path.read_bytes() for path in sorted((Path(__file__).parent / "seeds").glob(f"{target}-*"))]
    parts, sheet = _book()
    made = {
        "csv": [GAUGINGS, POINTS],
        "workbook": [b"\xff" + parts[sheet], *(bytes([i]) + parts[name] for i, name in enumerate(sorted(parts)))],
        "zip": [_packed({"points.csv": POINTS, "a/gaugings.csv": GAUGINGS})],
        "table": [b"\0" + GAUGINGS, b"\1" + POINTS, b'\2site,read_at,gauge_height_ft\nS1,2025-05-01T10Z,"1,5"\n'],
        "deposit": [b"\0" + GAUGINGS + CUT + POINTS, b"\x02" + GAUGINGS + CUT + POINTS + CUT + b"site,read_at\nS1,x\n"],
    }
    return kept + made.get(target, [])


def _packed(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()
