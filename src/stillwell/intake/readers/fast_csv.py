"""Columns of text from delimited text in which every row is a line, by Arrow's reader.

Other files are left to ``quoted_csv``, which takes rows one at a time and ten times as long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pcsv
from numpy.typing import NDArray

from stillwell.intake.readers.free_memory import give_back

LINE_END, QUOTE = 10, 34
AT_ONCE = 2**22
"""Bytes searched at once, so that the memory needed in between does not grow with a file."""
SPACES = b" \t\x0b\x0c\r\x1c\x1d\x1e\x1f"
"""White space of ASCII within a line."""


@dataclass(frozen=True)
class Lines:
    """Bytes in UTF-8 whose lines end in LF, and where each line begins, which is where the one before ends."""

    data: bytes
    starts: NDArray[np.int64]
    """One more than there are lines."""

    @classmethod
    def of(cls, data: bytes) -> Lines:
        """Find the lines of a text; one that ends in a line end has no line after it."""
        ends = places_of(data, LINE_END) + 1
        last = [] if not data or (ends.size and ends[-1] == len(data)) else [len(data)]
        return cls(data, np.concatenate([[0], ends, last]).astype(np.int64, copy=False))

    def __len__(self) -> int:
        """Count the lines."""
        return self.starts.size - 1

    def text(self, place: int) -> str:
        """Return one line without its end."""
        return self.data[self.starts[place] : self.starts[place + 1]].rstrip(b"\n").decode("utf-8")

    def begin_with(self, beginning: str) -> NDArray[np.bool_]:
        """Mark the lines that begin with a text."""
        codes = np.frombuffer(self.data, dtype=np.uint8)
        begins = np.zeros(len(self), dtype=bool)
        wanted = beginning.encode("utf-8")
        begins[np.diff(self.starts) >= len(wanted)] = True
        for place, code in enumerate(wanted):
            at = np.flatnonzero(begins)
            begins[at] = codes[self.starts[at] + place] == code
        return begins

    def empty(self) -> NDArray[np.bool_]:
        """Mark the lines without a character."""
        codes = np.frombuffer(self.data, dtype=np.uint8)
        size = np.diff(self.starts)
        out = size == 0
        one = np.flatnonzero(size == 1)
        out[one] = codes[self.starts[one]] == LINE_END
        return out

    def select(self, keep: NDArray[np.bool_]) -> bytes:
        """Return the marked lines, one after the other."""
        if keep.all():
            return self.data
        if not keep.any():
            return b""
        # runs of lines, not lines: what is left out is mostly above and below
        edges = np.flatnonzero(np.diff(np.concatenate([[False], keep, [False]]).astype(np.int8)))
        begins, ends = self.starts[edges[::2]], self.starts[edges[1::2]]
        return b"".join(self.data[i:j] for i, j in zip(begins.tolist(), ends.tolist(), strict=True))


def places_of(data: bytes, code: int) -> NDArray[np.int64]:
    """Find where a byte stands in a text."""
    codes = np.frombuffer(data, dtype=np.uint8)
    parts = (np.flatnonzero(codes[at : at + AT_ONCE] == code) + at for at in range(0, codes.size, AT_ONCE))
    return np.concatenate([np.zeros(0, dtype=np.int64), *parts])


def quick_columns(
    lines: Lines, keep: NDArray[np.bool_], names: int, delimiter: str
) -> tuple[Sequence[pa.StringArray], NDArray[np.int64]] | None:
    """Read rows that are lines.

    Parameters
    ----------
    lines : Lines
    keep : bool array
        Lines that may be rows, which those without a character are not.
    names : int
        How many columns the header names.
    delimiter : str

    Returns
    -------
    (sequence of string array, int array), or None
        Cells without outer spaces, of as many columns as the header names or more, where every row has as many more;
        and the line of each row, counted from 1. None where a row has another number of cells, or where quotes stand
        otherwise than around whole cells of one line.
    """
    keep = keep & ~lines.empty()
    count = int(keep.sum())
    body = lines.select(keep)
    if not delimiter.isascii() or not _plain_quotes(body, ord(delimiter)):
        return None
    if not count:
        return [pa.array([], pa.string())] * names, np.flatnonzero(keep)
    first = body[: body.find(b"\n") if b"\n" in body else len(body)]
    width = max(names, first.count(delimiter.encode()) + 1) if b'"' not in first else names
    odd: list[int] = []

    def skip(row: pcsv.InvalidRow) -> str:
        odd.append(1)
        return "skip"

    labels = list(map(str, range(width)))
    try:
        table = pcsv.read_csv(
            pa.BufferReader(body),
            pcsv.ReadOptions(column_names=labels),
            pcsv.ParseOptions(delimiter=delimiter, ignore_empty_lines=False, invalid_row_handler=skip),
            pcsv.ConvertOptions(
                column_types=dict.fromkeys(labels, pa.string()), strings_can_be_null=False, check_utf8=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    if odd or table.num_rows != count:
        return None
    columns = list(table.columns)[::-1]
    spaced = not body.isascii() or any(code in body for code in SPACES if code != ord(delimiter))
    size = len(body)
    # released before the columns are joined, so that the text of a file is in memory once, not twice
    del table, body
    cells = [_whole(columns, spaced) for _ in labels]
    give_back(size)
    return cells, np.flatnonzero(keep) + 1


def without_blank_rows(
    cells: Sequence[pa.StringArray], lines: NDArray[np.int64]
) -> tuple[Sequence[pa.StringArray], NDArray[np.int64]]:
    """Leave out the rows in which every cell is empty.

    Parameters
    ----------
    cells : sequence of string array
        One column at least.
    lines : int array
        The line each row began on.

    Returns
    -------
    sequence of string array, int array
        The same ones where no row is blank.
    """
    filled = pc.not_equal(cells[0], "")
    for column in cells[1:]:
        if pc.all(filled, min_count=0).as_py():
            break
        filled = pc.or_(filled, pc.not_equal(column, ""))
    if pc.all(filled, min_count=0).as_py():
        return cells, lines
    return [column.filter(filled) for column in cells], lines[filled.to_numpy(zero_copy_only=False)]


def _whole(columns: list[pa.ChunkedArray], spaced: bool) -> pa.StringArray:
    """Take the last column out of a list and join its pieces, without outer spaces where there may be some."""
    pieces = columns.pop().chunks
    return pa.concat_arrays([pc.utf8_trim_whitespace(piece) for piece in pieces] if spaced else pieces)


def _plain_quotes(body: bytes, delimiter: int) -> bool:
    """Return whether every quote opens or closes a whole cell of its line."""
    if b'"' not in body:
        return True
    begin = 0
    while begin < len(body):
        end = body.find(b"\n", min(begin + AT_ONCE, len(body))) + 1 or len(body)
        if not _plain_in(np.frombuffer(body, dtype=np.uint8)[begin:end], delimiter):
            return False
        begin = end
    return True


def _plain_in(codes: NDArray[np.uint8], delimiter: int) -> bool:
    """Return the same of some whole lines."""
    at = np.flatnonzero(codes == QUOTE)
    if at.size % 2:
        return False
    opening, closing = at[::2], at[1::2]
    before = codes[np.maximum(opening - 1, 0)]
    after = codes[np.minimum(closing + 1, codes.size - 1)]
    opens = (opening == 0) | (before == delimiter) | (before == LINE_END)
    closes = (closing == codes.size - 1) | (after == delimiter) | (after == LINE_END)
    ends = np.flatnonzero(codes == LINE_END)
    one_line = np.searchsorted(ends, opening) == np.searchsorted(ends, closing)
    return bool(opens.all() and closes.all() and one_line.all())
