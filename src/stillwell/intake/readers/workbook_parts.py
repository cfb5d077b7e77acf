"""The XML parts of a workbook, looked through before a library reads them: no declarations, no bombs, no row twice.

Keeps only which cells are merged and the largest index of a shared text. A part is
parsed with the same parser the library uses, so that nothing can be hidden from it.
"""

from __future__ import annotations

import re
import zipfile
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from xml.parsers import expat

from stillwell.intake.limits import (
    GREATEST_RATIO,
    LONGEST_TEXT,
    MIB,
    MOST_BESIDE,
    MOST_COLUMNS,
    MOST_FILES,
    MOST_IN_ROW,
    MOST_PART,
    MOST_WORKBOOK,
)
from stillwell.intake.problem_collector import CannotRead
from stillwell.intake.readers.zips import BROKEN, error_text, open_zip

SHEETS = "xl/worksheets/"
"""Where sheets lie, which are read row by row and may be long."""
TEXTS = "sharedstrings"
"""How the part of a workbook's texts is named, which is read text by text."""
DEEPEST_XML = 60
"""Elements inside elements; those of a spreadsheet are below 20."""
_CHUNK = 64 * 1024
LONGEST_INDEX = 10
"""Digits from which on no text of a workbook can have that number."""
_PLACE = re.compile(r"[A-Z]{1,3}[1-9][0-9]{0,6}")
_TYPES = ("/worksheet", ".worksheet+xml")
_RELATIONS = "application/vnd.openxmlformats-package.relationships+xml"
"""Content type of the parts that hold relations of a sheet; some programs state it for each of them."""
_RANGE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6}):([A-Z]{1,3})([1-9][0-9]{0,6})")
MOST_MERGED = 1_000_000
"""Rows that the merged cells of a sheet cover, all ranges together."""


@dataclass(frozen=True)
class Merged:
    """Cells merged into one that shows the value of the first."""

    first_column: str
    first_row: int
    last_column: str
    last_row: int


@dataclass(frozen=True)
class Part:
    """What a sheet says that is not in its cells, or only in all of them together."""

    merged: tuple[Merged, ...] = ()
    text: int = -1
    """Largest index of a shared text; -1 without any."""
    text_cell: str = ""


def check_parts(data: bytes) -> dict[str, Part]:
    """Look through a workbook before it is read.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    dict of str to Part
        By name of the part, of those that lie where sheets lie.

    Raises
    ------
    CannotRead
        If it is no zip, explodes, declares a document type (and so entities), holds more elements in one piece than
        memory is kept for, or a row or cell twice.
    """
    try:
        with open_zip(data) as archive:
            entries = archive.infolist()
            size, packed = sum(e.file_size for e in entries), sum(e.compress_size for e in entries)
            if len(entries) > MOST_FILES:
                raise CannotRead(f"a workbook of at most {MOST_FILES} parts", str(len(entries)))
            if size > MOST_WORKBOOK or size > max(packed, 4096) * GREATEST_RATIO:
                raise CannotRead(f"a workbook of at most {MOST_WORKBOOK // MIB} MiB", f"{size} bytes unpacked")
            looks = [_check_part(archive, entry) for entry in entries]
            return {look.name: look.part for look in looks if look.name.startswith(SHEETS)}
    except CannotRead as reason:
        if reason.expected.startswith("a zip that"):
            raise CannotRead("a workbook", reason.found) from reason
        raise
    except BROKEN as error:
        raise CannotRead("a workbook", error_text(error)) from error


def _check_part(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> _Look:
    name = entry.filename
    long = (name.startswith(SHEETS) and "/_rels/" not in name) or TEXTS in name.lower()
    is_xml = name.endswith((".xml", ".rels"))
    if is_xml and not long and entry.file_size > MOST_PART:
        raise CannotRead(f"a part of at most {MOST_PART // MIB} MiB", f"{entry.file_size} bytes in {name}")
    look = _Look(name, long)
    with archive.open(entry) as stream:
        try:
            quiet = 0
            while chunk := stream.read(_CHUNK):
                before = look.seen
                look.parser.Parse(chunk, False)
                quiet = 0 if look.seen > before else quiet + len(chunk)
                if quiet > LONGEST_TEXT:
                    raise CannotRead(f"at most {LONGEST_TEXT // MIB} MiB of text in a cell", f"more in {name}")
            look.parser.Parse(b"", True)
        except expat.ExpatError as error:
            # pictures and the like are no XML, and nobody reads them as such
            if is_xml or look.seen:
                raise CannotRead("a workbook that can be opened", f"{error} in {name}") from error
    return look


@dataclass
class _Look:
    """What one part has shown so far."""

    name: str
    long: bool
    seen: int = 0
    depth: int = 0
    beside: int = 0
    inside: int = 0
    """Elements of the row or text at hand."""
    piece: int = 0
    """Depth of that row or text, 0 outside."""
    row: int = 0
    cells: set[str] = field(default_factory=set)
    merged: list[Merged] = field(default_factory=list)
    covered: int = 0
    text: tuple[int, str] = (-1, "")
    shared: str = ""
    """Cell at hand whose value is the index of a shared text."""
    value: str | None = None
    """Value of that cell as far as it has been read."""

    @property
    def part(self) -> Part:
        """What is kept of the part."""
        return Part(tuple(self.merged), *self.text)

    def __post_init__(self) -> None:
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartDoctypeDeclHandler = self._declared
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        if self.long and self.name.startswith(SHEETS):
            self.parser.CharacterDataHandler = self._characters

    def _declared(self, *_: object) -> None:
        raise CannotRead("XML without declarations of its own", f"one in {self.name}")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        plain = tag.rpartition(" ")[2]
        self.seen += 1
        self.depth += 1
        if self.depth > DEEPEST_XML:
            raise CannotRead(f"at most {DEEPEST_XML} elements inside each other", f"more in {self.name}")
        if self.depth == 1 and self.long and plain not in ("worksheet", "sst"):
            raise CannotRead("a sheet or its texts", f"<{plain}> in {self.name}")
        if not self.long:
            self._check_target(attributes)
        elif self.piece:
            self._in_piece(plain, attributes)
        elif plain in ("row", "si"):
            self.piece, self.inside = self.depth, 0
            if plain == "row":
                self._next_row(attributes)
        if plain == "mergeCell" and self.long:
            self._merge(attributes.get("ref", ""))
        if not self.piece or self.piece == self.depth:
            self.beside += 1
            if self.beside > MOST_BESIDE:
                raise CannotRead(f"at most {MOST_BESIDE} elements", f"more in {self.name}")

    def _end(self, _: str) -> None:
        if self.value is not None:
            self._index()
        if self.depth == self.piece:
            self.piece = 0
        self.depth -= 1

    def _in_piece(self, plain: str, attributes: dict[str, str]) -> None:
        self.inside += 1
        if plain == "v" and self.shared:
            self.value = ""
        if plain == "c":
            self.shared = (attributes.get("r") or "without a name") if attributes.get("t") == "s" else ""
            place = attributes.get("r", "")
            if place and not _PLACE.fullmatch(place):
                raise CannotRead("cells named as in B2", f"{place} in {self.name}", self.row or None)
            if place in self.cells:
                raise CannotRead("every cell once", f"{place} more than once in {self.name}", self.row)
            self.cells.add(place or f"({len(self.cells)})")
            if len(self.cells) > MOST_IN_ROW // 3:
                raise CannotRead(f"at most {MOST_COLUMNS} columns", f"more than {len(self.cells) - 1}", self.row)
        if self.inside > MOST_IN_ROW:
            raise CannotRead(f"at most {MOST_IN_ROW} elements in a row or text", f"more in {self.name}")

    def _characters(self, text: str) -> None:
        if self.value is not None and len(self.value) < LONGEST_INDEX:
            self.value += text

    def _index(self) -> None:
        """Take the index of a shared text; the library would read a negative one as counted from the end."""
        text, self.value = (self.value or "").strip(), None
        if not text.isdecimal() or len(text) >= LONGEST_INDEX:
            raise CannotRead("the number of a text", f"{text!r} in {self.name}, cell {self.shared}", self.row or None)
        self.text = max(self.text, (int(text), self.shared), key=lambda pair: pair[0])

    def _merge(self, where: str) -> None:
        matched = _RANGE.fullmatch(where)
        if matched is None:
            raise CannotRead("merged cells named as in B2:B9", f"{where!r} in {self.name}")
        first, last = int(matched[2]), int(matched[4])
        self.covered += max(last - first, 0) + 1
        if self.covered > MOST_MERGED:
            raise CannotRead(f"at most {MOST_MERGED} rows in merged cells", f"more in {self.name}")
        self.merged.append(Merged(matched[1], first, matched[3], last))

    def _next_row(self, attributes: dict[str, str]) -> None:
        """Refuse a row that stands before one that was read; the library would pass over it in silence."""
        number = attributes.get("r", "")
        if number and not re.fullmatch(r"[1-9][0-9]{0,6}", number):
            raise CannotRead("rows that are numbered from 1", f"{number!r} in {self.name}")
        row = int(number) if number else self.row + 1
        if row <= self.row:
            raise CannotRead("every row once and in order", f"row {row} after row {self.row} in {self.name}", row)
        self.row = row
        self.cells = set()

    def _check_target(self, attributes: dict[str, str]) -> None:
        """Refuse a part that lies where sheets lie, is read whole, and so would escape its bound."""
        values = list(attributes.values())
        if "ContentType" in attributes and _of_relations(attributes):
            return
        where = [text for text in values if SHEETS.removeprefix("xl/") in text or TEXTS in text.lower()]
        astray = any("/_rels/" in text for text in where)
        if where and (
            astray or not any(text.endswith((*_TYPES, "sharedStrings", "sharedStrings+xml")) for text in values)
        ):
            raise CannotRead("sheets among the sheets", f"{PurePosixPath(where[0]).name} in {self.name}")


def _of_relations(attributes: dict[str, str]) -> bool:
    """Say whether a content type is stated of a part of relations, which is read as such and bounded as such."""
    where = PurePosixPath(attributes.get("PartName", ""))
    return attributes["ContentType"] == _RELATIONS and where.parent.name == "_rels" and where.suffix == ".rels"
