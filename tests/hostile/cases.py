"""The hostile deposits that are tried end to end: what each is, how it is made, and words of the answer to it."""

from __future__ import annotations

import os
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

from tests.hostile.making import (
    HEADER,
    changed,
    lying,
    overlapping,
    points_sheet,
    put,
    spoiled,
    tables,
    with_file,
    with_part,
    workbook,
    zipped,
)
from tests.pipeline.season import sheets

Case = tuple[str, Callable[[Path], Path], str]
DTD = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
LAUGHS = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
DECLARATION = b"<?xml version='1.0'?>"
MILLION = 1_000_000


def _zip(entries: dict[str, str | bytes], **how: object) -> Callable[[Path], Path]:
    return lambda tmp: put(tmp / "d.zip", zipped(entries, **how))


def _good_zip(tmp: Path, **names: str) -> bytes:
    return zipped({names.get(name, f"{name}.csv"): text for name, text in tables(tmp / "t").items()})


def _book(change: Callable[[bytes], bytes] = lambda data: data, **cells: object) -> Callable[[Path], Path]:
    return lambda tmp: put(tmp / "d.xlsx", change(workbook(tmp / "t", **cells)))


def _in_sheet(old: bytes, new: bytes) -> Callable[[Path], Path]:
    return _book(lambda data: with_part(data, points_sheet(data), old, new))


def _points(old: str, new: str | bytes) -> Callable[[Path], Path]:
    return lambda tmp: changed(tmp / "d", "points", old, new)


def _file(name: str, data: bytes) -> Callable[[Path], Path]:
    return lambda tmp: with_file(tmp / "d", name, data)


def _toml(text: str) -> Callable[[Path], Path]:
    return lambda tmp: put(tmp / "policy.toml", text.encode())


def _label(label: str) -> Callable[[Path], Path]:
    def make(tmp: Path) -> Path:
        folder = sheets(tmp / "d", "5")
        for name in ("gaugings", "points", "gauge_heights"):
            path = folder / f"{name}.csv"
            quick = path.read_text().replace("\n5,", f"\n{label},").replace(",5\n", f",{label}\n")
            path.write_text(quick, encoding="utf-8")
        return folder

    return make


ZIPS: list[Case] = [
    ("climbing", _zip({"../points.csv": HEADER}), "paths that stay inside the zip"),
    ("absolute", _zip({"/etc/points.csv": HEADER}), "paths that stay inside the zip"),
    ("backslashes", _zip({"a\\..\\..\\points.csv": HEADER}), "paths that stay inside the zip"),
    ("drive", _zip({"C:\\points.csv": HEADER}), "paths that stay inside the zip"),
    ("climbing folder", _zip({"../": "", "points.csv": HEADER}), "paths that stay inside the zip"),
    ("no name", _zip({".": HEADER}), "a name for every file in the zip"),
    ("link", _zip({"points.csv": "/etc/hostname"}, mode=0o120777), "a symbolic link, points.csv"),
    ("device", _zip({"points.csv": ""}, mode=0o020666), "a device or pipe, points.csv"),
    ("ratio", _zip({"points.csv": b"0" * 30_000_000}), "200 times its size"),
    ("many", _zip({f"{i}.csv": "" for i in range(2100)}), "at most 2000 files in a zip"),
    ("long directory", _zip({f"{i:0500d}": "" for i in range(2200)}), "a table of contents of at most 1 MiB"),
    ("overlapping", lambda tmp: put(tmp / "d.zip", overlapping(500, 100_000)), "files that lie behind each other"),
    ("twice", lambda tmp: put(tmp / "d.zip", _twice()), "points.csv more than once"),
    (
        "unbounded packing",
        lambda tmp: put(tmp / "d.zip", lying(zipped({"points.csv": b"0" * 10_000_000}, zipfile.ZIP_BZIP2), 100)),
        "a zip packed by deflating or not at all",
    ),
    ("size not as said", lambda tmp: put(tmp / "d.zip", lying(_good_zip(tmp), 10)), "a zip that can be opened"),
    ("spoiled", lambda tmp: put(tmp / "d.zip", spoiled(_good_zip(tmp))), "a zip that can be opened"),
    ("nothing in it", _zip({}), "a file at least"),
    ("zip in a zip", lambda tmp: put(tmp / "d.zip", zipped({"d.zip": _good_zip(tmp)})), "not a table"),
    ("control character", _zip({"\x1b[2Jpoints.csv": HEADER}), "the character U+001B"),
    ("right to left", _zip({"points\u202evsc.csv": HEADER}), "the character U+202E"),
    ("deep", _zip({"a/" * 40 + "points.csv": HEADER}), "folders inside each other"),
]


def _twice() -> bytes:
    out = bytearray(zipped({"points.csv": HEADER, "pointz.csv": HEADER}))
    return bytes(out.replace(b"pointz.csv", b"points.csv"))


def _chart(data: bytes) -> bytes:
    """Let the list of relations call the sheet of points a sheet of charts, which is read whole."""
    old = b"relationships/worksheet"
    return with_part(data, "xl/_rels/workbook.xml.rels", old, b"relationships/chartsheet")


def _noise(count: int) -> bytes:
    return random.Random(1).randbytes(count // 2).hex().encode()


def _cells(count: int) -> bytes:
    numbers = random.Random(1)
    return b"".join(b'<c t="n"><v>%d</v></c>' % numbers.randrange(10**6) for _ in range(count))


WORKBOOKS: list[Case] = [
    ("formula", _book(G3="=1+1"), "a formula in sheet points, cell G3"),
    ("formula that calls", _book(G3='=HYPERLINK("http://a.example")'), "a formula in sheet points, cell G3"),
    ("entity", _book(lambda d: with_part(d, "xl/workbook.xml", b"<workbook", DTD + b"<workbook")), "declarations"),
    (
        "entity behind a comment",
        _book(lambda d: with_part(d, points_sheet(d), b"", b"<!--" + b"x" * 9000 + b"-->" + DTD[21:] + b"<a/>")),
        "declarations",
    ),
    (
        "entity in UTF-16",
        _book(lambda d: with_part(d, "xl/styles.xml", b"", (LAUGHS.decode() + "<a>&b;</a>").encode("utf-16"))),
        "declarations",
    ),
    ("laughs", _book(lambda d: with_part(d, "xl/sharedStrings.xml", b"", LAUGHS + b"<sst>&b;</sst>")), "declarations"),
    ("a million cells in a row", _in_sheet(b"</row>", _cells(MILLION) + b"</row>"), "500 columns"),
    ("a far column", _in_sheet(b'r="G10"', b'r="XFD10"'), "at most 500 columns"),
    ("a column beyond all", _in_sheet(b'r="G10"', b'r="ZZZZZZZZ10"'), "cells named as in B2"),
    ("a far row", _in_sheet(b'<row r="10"', b'<row r="9999999"'), "row 11 after row 9999999"),
    ("a row twice", _in_sheet(b'<row r="10"', b'<row r="9"'), "row 9 after row 9"),
    ("a cell twice", _in_sheet(b'r="F10"', b'r="E10"'), "E10 more than once"),
    ("deep XML", _in_sheet(b"<sheetData>", b"<a>" * 100_000 + b"</a>" * 100_000 + b"<sheetData>"), "inside each other"),
    (
        "a long text",
        _in_sheet(b"</sheetData>", b"<!--" + _noise(2_000_000) + b"--></sheetData>"),
        "MiB of text",
    ),
    (
        "wide styles",
        _book(lambda d: with_part(d, "xl/styles.xml", b"", b"<a>" + _cells(400_000) + _noise(200_000) + b"</a>")),
        "a part of at most 8 MiB",
    ),
    ("charts among the sheets", _book(_chart), "sheets among the sheets"),
    ("many parts", lambda tmp: put(tmp / "d.xlsx", zipped({f"{i}": "" for i in range(2100)})), "2000 parts"),
    ("climbing part", lambda tmp: put(tmp / "d.xlsx", zipped({"../x.xml": "<a/>"})), "a workbook that can be opened"),
    ("empty", lambda tmp: put(tmp / "d.xlsx", b""), "a workbook"),
    ("a control character", _book(A10="5\u202e"), "all of them visible"),
]

TEXTS: list[Case] = [
    ("a million columns", _file("points.csv", b"," * (MILLION - 1) + b"\n"), "at most 500 columns"),
    ("a million named columns", _file("points.csv", ",".join(map(str, range(MILLION))).encode()), "lines of at most"),
    ("a hidden million", _file("points.csv", b'"a\n"' + b",c" * 400_000 + b"\n"), "at most 500 columns"),
    ("a long cell", _file("points.csv", HEADER.encode() + b'\n"' + b"x\n" * 200_000 + b'"'), "field limit"),
    ("latin-1", _points("open", "opén".encode("latin-1")), "UTF-8 text"),
    ("UTF-16", _file("points.csv", HEADER.encode("utf-16")), "UTF-8 text"),
    ("UTF-7", _points("open", "+AGE-"), "found '+AGE-'"),
    ("NUL", _points("open", "op\0en"), "a NUL character"),
    ("nothing", _file("points.csv", b""), "an empty file"),
    ("blank", _file("points.csv", b"\n \n\t\n"), "an empty file"),
    ("a mark alone", _file("points.csv", b"\xef\xbb\xbf"), "an empty file"),
    ("quote without end", _points("open", '"open'), "quoted and plain cells"),
    ("not a number", _points("0.6,open", "NaN,open"), "found 'NaN'"),
    ("infinite", _points("0.6,open", "inf,open"), "found 'inf'"),
    ("too great", _points("0.6,open", "1e999,open"), "found '1e999'"),
    ("a hexadecimal", _points("0.6,open", "0x1,open"), "found '0x1'"),
    ("other digits", _points("0.6,open", "\uff10.6,open"), "found '\uff10.6'"),
    ("a formula for a depth", _points("0.6,open", "=1-0.4,open"), "found '=1-0.4'"),
    ("a formula for a word", _points("open", "=cmd|' /C calc'!A1"), "found \"=cmd|' /C calc'!A1\""),
    ("a count beyond all", _points("5,2,", "5,99999999999999999999,"), "found '99999999999999999999'"),
    (
        "the last year",
        lambda tmp: changed(tmp / "d", "gaugings", "2025-05-05T11:00Z", "9999-12-31T24:00-02:00"),
        "9999",
    ),
    ("a terminal's command", _label("\x1b[2J5"), "all of them visible"),
    ("a label turned round", _label("\u202e5"), "all of them visible"),
    ("an unseen letter", _label("5\u200b"), "all of them visible"),
    ("a long label", _label("5" * 600), "at most 500 characters"),
    ("a name turned round", _file("points\u202evsc.csv", HEADER.encode()), "the character U+202E"),
    ("a name with a command", _file("\x1b[2J.csv", HEADER.encode()), "the character U+001B"),
]

POLICIES: list[Case] = [
    ("deep list", _toml("[limits]\ncheck_days = " + "[\n" * 10_000 + "]" * 9), "expected TOML"),
    ("deep table", _toml("[limits]\n" + "\n".join("a." * 900 + f"k{i} = 1" for i in range(11))), "inside each other"),
    ("deep names", _toml("[limits]\ncheck_days" + ".a" * 10_000 + " = 1"), "lines of at most 2000 characters"),
    ("long number", _toml("[limits]\ncheck_days = { value = 1" + "0" * 400 + ', source = "x" }'), "whole numbers"),
    ("very long number", _toml("a = " + "1" * 1990 + "\nb = 1" + "_0" * 990), "whole numbers"),
    ("not finite", _toml('[limits]\ncheck_days = { value = nan, source = "x" }'), "found nan"),
    ("long", _toml("# x\n" * 70_000), "at most 262144 bytes"),
    ("JSON", _toml('{"limits": ' + "[\n" * 10_000 + "]" * 9 + "}"), "expected TOML"),
    ("empty name", _toml('"" = 1'), "section"),
    ("spaces", _toml("x = 1\n" + (" " * 1999 + "\n") * 100), "section"),
]


def _link(tmp: Path) -> Path:
    put(tmp / "secret.csv", b"secret")
    (sheets(tmp / "d", "5") / "notes.csv").symlink_to(tmp / "secret.csv")
    return tmp / "d"


def _linked(tmp: Path) -> Path:
    (tmp / "d").symlink_to(sheets(tmp / "t", "5"))
    return tmp / "d"


def _deep(tmp: Path) -> Path:
    put(tmp / "d" / Path(*["a"] * 900) / "points.csv", HEADER.encode())
    return tmp / "d"


def _many(tmp: Path) -> Path:
    sheets(tmp / "d", "5")
    for number in range(2050):
        (tmp / "d" / str(number)).touch()
    return tmp / "d"


def _bytes_for_a_name(tmp: Path) -> Path:
    sheets(tmp / "d", "5")
    Path(os.fsdecode(os.fsencode(tmp / "d") + b"/\xff.csv")).touch()
    return tmp / "d"


def _long_names(tmp: Path) -> Path:
    return put(tmp / "d" / ("a" * 250) / ("b" * 250) / ("c" * 250) / ("d" * 250) / "points.csv", b"").parents[4]


def _sparse(tmp: Path) -> Path:
    path = put(tmp / "d.csv", b"")
    os.truncate(path, 2**30)
    return path


UNREADABLE: list[Case] = [
    ("link in a folder", _link, "a symbolic link"),
    ("a link itself", _linked, "found something else"),
    ("deep folders", _deep, "at most 32 folders inside each other"),
    ("many files", _many, "at most 2000 files"),
    ("a name in no encoding", _bytes_for_a_name, "names in UTF-8"),
    ("long names", _long_names, "a path of at most 1000 bytes"),
    ("a gigabyte of one line", _sparse, "a deposit of at most 512 MiB"),
    ("name of the deposit", lambda tmp: sheets(tmp / "a\u202eb", "5"), "the character U+202E"),
    ("command for a name", lambda tmp: sheets(tmp / "a\x1b[2Jb", "5"), "the character U+001B"),
]
"""Nothing of these can be sealed, since they cannot be read whole or named."""
