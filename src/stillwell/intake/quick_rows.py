"""Lines of delimited text to columns of text at once, where every row is a line. Leaves odd files to others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.csv as pcsv
from numpy.typing import NDArray

LINE_END, QUOTE = 10, 34


@dataclass(frozen=True)
class Lines:
    """Bytes in UTF-8 whose lines end in LF, and where each line begins; its end is where the next begins."""

    data: bytes
    starts: NDArray[np.int64]
    """One more than there are lines."""

    @classmethod
    def of(cls, data: bytes) -> Lines:
        """Find the lines of a text; one that ends in a line end has no line after it."""
        codes = np.frombuffer(data, dtype=np.uint8)
        ends = np.flatnonzero(codes == LINE_END) + 1
        whole = ends if ends.size and ends[-1] == codes.size else np.append(ends, codes.size)
        return cls(data, np.concatenate([[0], whole]) if codes.size else np.zeros(1, dtype=np.int64))

    def __len__(self) -> int:
        """Count the lines."""
        return self.starts.size - 1

    def text(self, place: int) -> str:
        """Return one line without its end."""
        return self.data[self.starts[place] : self.starts[place + 1]].rstrip(b"\n").decode("utf-8")

    def begin_with(self, beginning: str) -> NDArray[np.bool_]:
        """Say which lines begin with some words."""
        codes = np.frombuffer(self.data, dtype=np.uint8)
        said = np.zeros(len(self), dtype=bool)
        wanted = beginning.encode("utf-8")
        said[np.diff(self.starts) >= len(wanted)] = True
        for place, code in enumerate(wanted):
            at = np.flatnonzero(said)
            said[at] = codes[self.starts[at] + place] == code
        return said

    def empty(self) -> NDArray[np.bool_]:
        """Say which lines hold nothing at all."""
        codes = np.frombuffer(self.data, dtype=np.uint8)
        size = np.diff(self.starts)
        out = size == 0
        one = np.flatnonzero(size == 1)
        out[one] = codes[self.starts[one]] == LINE_END
        return out

    def kept(self, keep: NDArray[np.bool_]) -> bytes:
        """Return some of the lines, one after the other."""
        if keep.all():
            return self.data
        if not keep.any():
            return b""
        # runs of lines, not lines: what is left out is mostly above and below
        edges = np.flatnonzero(np.diff(np.concatenate([[False], keep, [False]]).astype(np.int8)))
        begins, ends = self.starts[edges[::2]], self.starts[edges[1::2]]
        return b"".join(self.data[i:j] for i, j in zip(begins.tolist(), ends.tolist(), strict=True))


def quick_columns(body: bytes, rows: int, names: int, delimiter: str) -> Sequence[pa.StringArray] | None:
    """Read rows that are lines.

    Parameters
    ----------
    body : bytes
        UTF-8, without a header and without empty lines.
    rows, names : int
        How many lines there are and how many columns the header names.
    delimiter : str

    Returns
    -------
    sequence of string array, or None
        As many as the header names or more, where every row has as many more; None where a row has another number of
        cells, or where quotes stand otherwise than around whole cells of one line.
    """
    if not delimiter.isascii() or not _plain_quotes(body, ord(delimiter)):
        return None
    if not rows:
        return [pa.array([], pa.string())] * names
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
    return None if odd or table.num_rows != rows else [column.combine_chunks() for column in table.columns]


def _plain_quotes(body: bytes, delimiter: int) -> bool:
    """Say whether every quote opens or closes a whole cell of its line."""
    if b'"' not in body:
        return True
    codes = np.frombuffer(body, dtype=np.uint8)
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
