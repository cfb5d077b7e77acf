"""Write the invented season: an inbox of deposits, the truth behind them, and what should become of each.

Run ``python -m sample_archive.make_season`` from the project's root; the same bytes come out every time. Needs numpy
only and nothing of the archive's own code, so that the truth owes nothing to what it is to test.
"""

from __future__ import annotations

import io
import shutil
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from sample_archive import logger, mistakes, registers, season
from sample_archive.field import OFFSET, Plan, Sheet, local, measure
from sample_archive.habits import LAYOUTS, PARTIES, Layout, csv_bytes, csv_text, turned
from sample_archive.river import RIVERS, SEASON

Files = dict[str, bytes]
INVENTED = "# Everything here is invented: no such site, river, party, meter or gauging exists."
ZIP_MOMENT = (2025, 8, 1, 12, 0, 0)


@dataclass(frozen=True)
class Expected:
    """What should become of one gauging of one deposit."""

    deposit: str
    gauging: str
    outcome: str
    file: str = ""
    column: str = ""
    reason: str = ""


def make() -> Files:
    """Make every file of the season.

    Returns
    -------
    dict of str to bytes
        Path below ``sample_archive`` and content.
    """
    sheets = _gauge_everything()
    inbox, expected = _inbox(sheets)
    files = {f"inbox/{path}": data for path, data in inbox.items()}
    files["truth.csv"] = _truth(sheets, expected)
    files["expected.csv"] = _expected(expected)
    return files


def write(folder: Path) -> None:
    """Write the season into a folder in place of an earlier one.

    Parameters
    ----------
    folder : Path
        Gets ``inbox/``, ``truth.csv`` and ``expected.csv``.
    """
    shutil.rmtree(folder / "inbox", ignore_errors=True)
    for path, data in make().items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)


CALENDAR: tuple[tuple[str, str, tuple[Plan, ...]], ...] = (
    ("02_first_party_winter", "INV-P1", season.FIRST_PARTY),
    ("09_first_party_season_again", "INV-P1", season.FIRST_PARTY_LATER),
    ("03_second_party_in_feet", "INV-P2", season.SECOND_PARTY),
    ("04_third_party_mill_race", "INV-P3", season.THIRD_PARTY),
    ("05_fourth_party_island", "INV-P4", season.FOURTH_PARTY),
    ("06_fifth_party_rotating.zip", "INV-P5", season.FIFTH_PARTY),
    ("07_sixth_party_in_a_hurry", "INV-P6", season.SIXTH_PARTY),
    ("12_mistakes", "INV-P6", season.MISTAKEN),
    ("13_two_depth_columns", "INV-P6", season.TWICE_MEASURED),
    ("14_other_encoding", "INV-P6", season.FOREIGN),
)
"""Deposit that first holds them, party, gaugings. The order fixes the seed of each."""


def _gauge_everything() -> dict[str, list[Sheet]]:
    sheets: dict[str, list[Sheet]] = {}
    for block, (deposit, party, plans) in enumerate(CALENDAR):
        numbered = enumerate(plans, 100 * (block + 1))
        sheets[deposit] = [measure(_dated(plan), PARTIES[party], number) for number, plan in numbered]
    for sheet in sheets["06_fifth_party_rotating.zip"]:
        sheet.points = [turned(row) for row in sheet.points]
    return sheets


def _dated(plan: Plan) -> Plan:
    """Give a plan of the form ``flood 2 11:25`` the day on which that flood of its river begins."""
    if not plan.start.startswith("flood"):
        return plan
    _, which, clock = plan.start.split()
    begins = SEASON + timedelta(days=RIVERS[plan.site].rising(int(which)))
    return replace(plan, start=f"{begins.astimezone(OFFSET):%Y-%m-%d}T{clock}")


def _inbox(sheets: dict[str, list[Sheet]]) -> tuple[Files, list[Expected]]:
    files: Files = {}
    expected: list[Expected] = []
    for name in ("sites", "datums", "instruments", "calibrations"):
        files[f"01_registers/{name}.csv"] = _text(getattr(registers, name)())
    for part in (_season_folders, _later, _mistaken, _unreadable):
        more, said = part(sheets)
        files |= more
        expected += said
    files["08_meter_checks/checks.csv"] = _text(registers.checks())
    files["16_reviews/reviews.csv"] = _text(_reviews(sheets))
    files["17_loggers/stage.csv"] = _text(logger.stage())
    for name in ("corrections", "ratings", "rating_segments", "shifts", "conditions"):
        files[f"18_office_decisions/{name}.csv"] = _text(getattr(logger, name)())
    files["gauge_heights.csv"] = _text(registers.weekly_readings())
    order = {path.partition("/")[0]: path for path in sorted(files)}
    return dict(sorted(files.items())), sorted(expected, key=lambda e: list(order).index(e.deposit))


def _season_folders(sheets: dict[str, list[Sheet]]) -> tuple[Files, list[Expected]]:
    """Each party's sheets in its own format, one of them as a zip, one with a depth mistyped."""
    files: Files = {}
    expected: list[Expected] = []
    for deposit, party, _ in CALENDAR:
        if not "02" <= deposit[:2] <= "07":
            continue
        mine = [_mistyped(sheet) if sheet.plan.label == "P2-103" else sheet for sheet in sheets[deposit]]
        tables = _tables(mine, LAYOUTS[party])
        files |= {deposit: _zip(tables)} if deposit.endswith(".zip") else _in(deposit, tables)
        expected += [Expected(deposit, sheet.plan.label, "taken") for sheet in mine]
    return files, expected


def _mistyped(sheet: Sheet) -> Sheet:
    """Lose a decimal point: one depth ten times too large, at both points of the vertical."""
    sheet = sheet.copy()
    vertical = sheet.points[len(sheet.points) // 2]["vertical"]
    for row in sheet.points:
        if row["vertical"] == vertical:
            row["depth_m"] = 10 * round(row["depth_m"] / 0.3048 / 0.05) * 0.05 * 0.3048
    return sheet


def _later(sheets: dict[str, list[Sheet]]) -> tuple[Files, list[Expected]]:
    """Send the season again with two more gaugings, a correction, and another party's sheet for the same hour."""
    again, corrected, other = "09_first_party_season_again", "10_second_party_corrected", "11_other_party_same_hour"
    old, new = sheets["02_first_party_winter"], sheets[again]
    right = [sheet for sheet in sheets["03_second_party_in_feet"] if sheet.plan.label == "P2-103"]
    plan = replace(old[3].plan, label="S-0", instrument="INV-AC1", reads=(), header={})
    same_hour = [measure(plan, PARTIES["INV-P6"], 9001)]
    files = _in(again, _tables([*old, *new], LAYOUTS["INV-P1"]))
    files |= _in(corrected, _tables(right, LAYOUTS["INV-P2"]))
    files |= _in(other, _tables(same_hour, LAYOUTS["INV-P6"]))
    clash = f"another party's rows for {old[3].archive_id}"
    return files, [
        *(Expected(again, sheet.plan.label, "unchanged") for sheet in old),
        *(Expected(again, sheet.plan.label, "taken") for sheet in new),
        Expected(corrected, "P2-103", "revision 2"),
        Expected(other, "S-0", "returned", "gaugings.csv", "party", clash),
    ]


def _mistaken(sheets: dict[str, list[Sheet]]) -> tuple[Files, list[Expected]]:
    deposit = "12_mistakes"
    good = sheets[deposit]
    spoilt = [sheet.copy() for sheet in good]
    expected = []
    for sheet, mistake in zip(spoilt, mistakes.MISTAKES, strict=False):
        mistake.spoil(sheet)
        label = sheet.plan.label
        expected.append(Expected(deposit, label, "returned", mistake.file, mistake.column, mistake.reason))
    expected.append(Expected(deposit, good[-1].plan.label, "taken"))
    spoils = dict(zip((m.spoil for m in mistakes.MISTAKES), spoilt, strict=False))
    twice, lost = spoils[mistakes.label_twice], spoils[mistakes.header_lost]
    headers = [sheet.header for sheet in spoilt if sheet is not lost]
    second = twice.header["started_at"] + timedelta(hours=3)
    headers.append(twice.header | {"started_at": second, "ended_at": second + timedelta(minutes=30)})
    heights = [row for sheet in spoilt for row in sheet.heights]
    heights.append(heights[-1] | {"read_at": local("2025-04-22T10:15"), "gauge_height_m": "o.42"})
    expected.append(Expected(deposit, "", "row left out", "gauge_heights.csv", "gauge_height_m", "a letter for a zero"))
    points = [row for sheet in spoilt for row in sheet.points]
    return _in(deposit, _written(headers, points, heights, mistakes.LAYOUT)), expected


def _unreadable(sheets: dict[str, list[Sheet]]) -> tuple[Files, list[Expected]]:
    """Two columns for one quantity; another encoding; a zip cut short on its way."""
    two, foreign, cut = "13_two_depth_columns", "14_other_encoding", "15_cut_short.zip"
    tables = _tables(sheets[two], mistakes.LAYOUT)
    head, *lines = tables["points.csv"].decode().splitlines()
    head = head.replace("depth_m", "depth_m,depth_ft")
    lines = [_with_feet(line) for line in lines]
    tables["points.csv"] = ("\n".join([head, *lines]) + "\n").encode()
    files = _in(two, tables)
    tables = _tables(sheets[foreign], mistakes.LAYOUT)
    tables["gaugings.csv"] = tables["gaugings.csv"].decode("utf-8").encode("latin-1")
    files |= _in(foreign, tables)
    whole = _zip(_tables(sheets[foreign], mistakes.LAYOUT))
    files[cut] = whole[: len(whole) // 2]
    labels = [sheet.plan.label for sheet in sheets[two]]
    return files, [
        Expected(two, "", "returned", "points.csv", "depth_ft", "two columns for one depth"),
        *(Expected(two, label, "returned", "gaugings.csv", "gauging", "its points cannot be read") for label in labels),
        Expected(foreign, "", "returned", "gaugings.csv", "", "saved in another encoding than UTF-8"),
        Expected(foreign, "U-1", "returned", "points.csv", "gauging", "points whose gauging cannot be read"),
        Expected(cut, "", "returned", cut, "", "a zip that ends too early"),
    ]


def _with_feet(line: str) -> str:
    cells = line.split(",")
    return ",".join([*cells[:4], f"{float(cells[3]) / 0.3048:.2f}", *cells[4:]])


def _reviews(sheets: dict[str, list[Sheet]]) -> list[list[str]]:
    """Decisions of a reviewer, who looks at the season when it is over."""
    ids = {sheet.plan.label: sheet.archive_id for block in sheets.values() for sheet in block}
    said = [(label, "approved", "sheet, section and rating looked at") for label in ("P1-01", "P1-02", "P1-03")]
    said += [("P1-04", "approved", "the other party's sheet for the same hour names the wrong meter")]
    said += [("P2-103", "approved", "corrected depth compared with the paper sheet")]
    said += [("ORM-a", "approved", "five points throughout"), ("24/1", "approved", "looked at")]
    said += [("S-1", "excluded", "too few verticals for the rating")]
    said += [("S-6", "withdrawn", "floats were timed over an unknown distance")]
    head = ["subject", "decision", "by", "decided_at", "reason"]
    moments = (local("2025-10-20T09:00") + timedelta(minutes=10 * i) for i in range(len(said)))
    rows = [
        [ids[label], decision, "INV-R1", moment.isoformat(timespec="minutes"), reason]
        for (label, decision, reason), moment in zip(said, moments, strict=False)
    ]
    return [head, *rows]


def _tables(sheets: Sequence[Sheet], layout: Layout) -> Files:
    points = [row for sheet in sheets for row in sheet.points]
    heights = [row for sheet in sheets for row in sheet.heights]
    return _written([sheet.header for sheet in sheets], points, heights, layout)


def _written(headers: list[dict], points: list[dict], heights: list[dict], layout: Layout) -> Files:
    files = {"gaugings.csv": csv_bytes(headers, layout.gaugings, layout)}
    files["points.csv"] = csv_bytes(points, layout.points, layout)
    if heights:
        files["gauge_heights.csv"] = csv_bytes(heights, layout.gauge_heights, layout)
    return files


def _in(folder: str, files: Files) -> Files:
    return {f"{folder}/{name}": data for name, data in files.items()}


def _zip(files: Files) -> bytes:
    """Pack without compressing, so that no version of a compressor changes a byte."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as packed:
        for name, data in sorted(files.items()):
            entry = zipfile.ZipInfo(name, ZIP_MOMENT)
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            packed.writestr(entry, data)
    return buffer.getvalue()


def _text(rows: Iterable[Sequence[str]]) -> bytes:
    return csv_text(rows).encode("utf-8")


def _truth(sheets: dict[str, list[Sheet]], expected: list[Expected]) -> bytes:
    """List the true discharge and stage of every gauging that is taken, once."""
    taken = {(e.deposit, e.gauging) for e in expected if e.outcome == "taken"}
    head = ["archive_id", "label", "deposit", "site", "started_at", "instrument", "party", "with_points"]
    rows = [
        [
            *(sheet.archive_id, sheet.plan.label, deposit, sheet.plan.site, sheet.started.isoformat()),
            *(sheet.header["instrument"] or "", sheet.header["party"], "yes" if sheet.points else "no"),
            *(f"{sheet.true_discharge:.5f}", f"{sheet.true_stage:.4f}"),
        ]
        for deposit, block in sorted(sheets.items())
        for sheet in block
        if (deposit, sheet.plan.label) in taken
    ]
    note = "# true_discharge_m3_s and true_stage_m: means over the gauging, from the river the season was made of."
    body = _text([[*head, "true_discharge_m3_s", "true_stage_m"], *rows])
    return f"{INVENTED}\n{note}\n".encode() + body


def _expected(expected: Iterable[Expected]) -> bytes:
    note = "# What should become of each gauging, and for those returned where the reason stands."
    head = ["deposit", "gauging", "outcome", "file", "column", "reason"]
    rows = [[e.deposit, e.gauging, e.outcome, e.file, e.column, e.reason] for e in expected]
    return f"{INVENTED}\n{note}\n".encode() + _text([head, *rows])


if __name__ == "__main__":
    write(Path(__file__).resolve().parent)
