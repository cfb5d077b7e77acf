"""How the workbooks in this folder were filled: invented gaugings of 24 verticals, a check of the meter, readings."""

from __future__ import annotations

import io
import math
import sys
from datetime import datetime


def moment(hour, minute=0):
    """Return a wall time of the day."""
    return datetime(2025, 6, 12, hour, minute)


def tables():
    """Yield name, header, rows and merged cells (column, first row, last row) of each sheet."""
    g = [
        "gauging",
        "site",
        "started_at",
        "ended_at",
        "instrument",
        "party",
        "start_bank",
        "field_quality",
        "water_temperature_c",
        "remarks",
    ]
    yield (
        "sites",
        ["site", "name", "latitude", "longitude", "utc_offset", "river"],
        [["INV-WB", "Workbook weir (invented)", 47.1, 11.3, "+01:00", "Invented brook"]],
        [],
    )
    yield "instruments", ["instrument", "kind", "serial"], [["WB-AC1", "acoustic point", "0042"]], []
    yield (
        "gaugings",
        g,
        [
            [
                "A",
                "INV-WB",
                moment(10),
                moment(11, 30),
                "WB-AC1",
                "P7",
                "left",
                "good",
                9.5,
                "filled in a spreadsheet program",
            ],
            ["B", "INV-WB", moment(14), moment(15, 20), "WB-AC1", "P7", "right", "fair", 10.5, None],
        ],
        [],
    )
    rows, merges = [], []
    for label, scale in (("A", 1.0), ("B", 0.8)):
        top = len(rows)
        n = 24
        for v in range(1, n + 1):
            x = round((v - 1) * 0.5, 2)
            edge = v in (1, n)
            d = 0.0 if edge else round(0.25 + 0.9 * math.sin(math.pi * (v - 1) / (n - 1)), 2)
            fracs = [None] if edge else ([0.2, 0.8] if d > 0.75 else [0.6])
            first = len(rows)
            for f in fracs:
                vel = (
                    None
                    if edge
                    else round(
                        scale
                        * (0.3 + 0.7 * math.sin(math.pi * (v - 1) / (n - 1)))
                        * (1.15 if f == 0.2 else 0.85 if f == 0.8 else 1.0),
                        3,
                    )
                )
                rows.append(
                    [label, v, x, d, "edge" if edge else "open", f, vel, None if edge else 40, None if edge else 1.5]
                )
            if len(fracs) == 2:
                merges += [(c, first, first + 1) for c in (1, 2, 3)]
        merges.append((0, top, len(rows) - 1))
    yield (
        "points",
        [
            "gauging",
            "vertical",
            "position_m",
            "depth_m",
            "kind",
            "relative_depth",
            "velocity_m_s",
            "exposure_s",
            "tilt_deg",
        ],
        rows,
        merges,
    )
    heights = [
        ["INV-WB", moment(9, 55), 1.23, "staff", "A"],
        ["INV-WB", moment(11, 35), 1.25, "staff", "A"],
        ["INV-WB", moment(13, 55), 1.21, "staff", "B"],
        ["INV-WB", moment(15, 25), 1.2, "staff", "B"],
    ]
    yield "gauge_heights", ["site", "read_at", "gauge_height_m", "source", "gauging"], heights, [(0, 0, 3)]
    checks = [
        ["WB-C1", "WB-AC1", moment(9, 30), "field", s, r, 30 + s % 3, 10.0, 40.0, 0.1, 9.6, 9.5]
        for s in range(1, 31)
        for r in (1, 2)
    ]
    yield (
        "checks",
        [
            "check",
            "instrument",
            "checked_at",
            "place",
            "sample",
            "receiver",
            "snr_db",
            "noise_db",
            "echo_db",
            "echo_range_m",
            "water_temperature_c",
            "reference_temperature_c",
        ],
        checks,
        [(0, 0, 59)],
    )


def blank(rows, merges):
    """Empty the cells that a merged one covers, but the first."""
    out = [list(r) for r in rows]
    for c, a, b in merges:
        for i in range(a + 1, b + 1):
            out[i][c] = None
    return out


def by_openpyxl(path):
    """Fill the template."""
    import openpyxl

    from stillwell.intake.template import template_workbook

    book = openpyxl.load_workbook(io.BytesIO(template_workbook(offset="+02:00")))
    for name, head, rows, merges in tables():
        sheet = book[name]
        at = {c.value: c.column for c in sheet[1]}
        for i, row in enumerate(blank(rows, merges)):
            for h, v in zip(head, row, strict=True):
                if v is not None:
                    cell = sheet.cell(i + 2, at[h], v)
                    if isinstance(v, datetime):
                        cell.number_format = "dd.mm.yyyy hh:mm"
        for c, a, b in merges:
            sheet.merge_cells(start_row=a + 2, end_row=b + 2, start_column=at[head[c]], end_column=at[head[c]])
    book.save(path)


def by_xlsxwriter(path):
    """Write a workbook without our template."""
    import xlsxwriter

    book = xlsxwriter.Workbook(path)
    date = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    sheet = book.add_worksheet("offset")
    sheet.write(0, 0, "offset")
    sheet.write(1, 0, "+02:00")
    for name, head, rows, merges in tables():
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, head)
        for i, row in enumerate(blank(rows, merges)):
            for j, v in enumerate(row):
                if isinstance(v, datetime):
                    sheet.write_datetime(i + 1, j, v, date)
                elif v is not None:
                    sheet.write(i + 1, j, v)
        for c, a, b in merges:
            sheet.merge_range(a + 1, c, b + 1, c, rows[a][c])
    book.close()


if __name__ == "__main__":
    {"o": by_openpyxl, "x": by_xlsxwriter}[sys.argv[1]](sys.argv[2])
