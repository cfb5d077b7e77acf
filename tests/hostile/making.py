"""Hostile deposits, invented: files, zips, workbooks and TOML that nobody would hand in by mistake."""

from __future__ import annotations

import copy
import io
import struct
import zipfile
from pathlib import Path

import openpyxl

from tests.pipeline.season import sheets

HEADER = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s"


def tables(folder: Path) -> dict[str, str]:
    """Return the tables of a good deposit of two gaugings, by name."""
    made = sheets(folder, "5", "6")
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(made.iterdir())}


def changed(folder: Path, name: str, old: str, new: str | bytes) -> Path:
    """Make a good deposit with one text replaced everywhere in one table."""
    path = sheets(folder, "5", "6") / f"{name}.csv"
    data = path.read_bytes()
    assert old.encode() in data
    path.write_bytes(data.replace(old.encode(), new.encode() if isinstance(new, str) else new))
    return folder


def with_file(folder: Path, name: str, data: bytes) -> Path:
    """Make a good deposit with a file put in or replaced."""
    sheets(folder, "5", "6")
    (folder / name).write_bytes(data)
    return folder


def put(path: Path, data: bytes) -> Path:
    """Write a file and the folder it lies in."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def zipped(
    entries: dict[str, str | bytes], packing: int = zipfile.ZIP_DEFLATED, mode: int = 0o100644, comment: bytes = b""
) -> bytes:
    """Make a zip whose entries have just these names."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in entries.items():
            info = zipfile.ZipInfo("x")
            info.filename = name
            info.external_attr = mode << 16
            archive.writestr(info, data, compress_type=packing)
        archive.comment = comment
    return out.getvalue()


def overlapping(count: int, size: int) -> bytes:
    """Make a zip of many entries that all unpack the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("0.csv", b"0" * size)
        for number in range(1, count):
            other = copy.copy(archive.filelist[0])
            other.filename = other.orig_filename = f"{number}.csv"
            archive.filelist.append(other)
            archive.NameToInfo[other.filename] = other
    return out.getvalue()


def lying(data: bytes, size: int) -> bytes:
    """Make the first entry of a zip say that it holds fewer bytes than it does."""
    out = bytearray(data)
    place = out.index(b"PK\x01\x02")
    out[place + 24 : place + 28] = struct.pack("<I", size)
    return bytes(out)


def spoiled(data: bytes) -> bytes:
    """Overwrite the packed bytes of the first entry of a zip."""
    name, extra = struct.unpack("<HH", data[26:30])
    begin = 30 + name + extra
    return data[:begin] + b"\xff" * 8 + data[begin + 8 :]


def workbook(folder: Path, **cells: object) -> bytes:
    """Make a workbook of a good deposit, with cells of its sheet of points replaced."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in tables(folder).items():
        sheet = book.create_sheet(name)
        for line in text.splitlines():
            sheet.append([_number(cell) for cell in line.split(",")])
    for place, value in cells.items():
        book["points"][place] = value
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _number(text: str) -> float | str | None:
    try:
        return float(text)
    except ValueError:
        return text or None


def with_part(data: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """Replace bytes in a part of a workbook; with nothing to replace, put a part in its place."""
    out = io.BytesIO()
    found = False
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == name:
                found = True
                assert old in content
                content = content.replace(old, new, 1) if old else new
            target.writestr(entry.filename, content)
        if not found:
            target.writestr(name, new)
    return out.getvalue()


def points_sheet(data: bytes) -> str:
    """Name the part of a workbook that is its sheet of points."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return next(n for n in archive.namelist() if "sheets/sheet" in n and b'r="G10"' in archive.read(n))
