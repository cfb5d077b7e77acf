"""Rows of delimited text whose quoted cells may hold delimiters and line ends, read one at a time.

Both the tables of our own layout (``csv_text``) and files that a map describes (``maps.text``) come here where
``fast_csv`` finds a row that is not a line.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence

import pyarrow as pa
import pyarrow.compute as pc

from stillwell.intake.problem_collector import CannotRead

ROWS_AT_ONCE = 2**14
"""Rows held as Python text, which takes tens of times their bytes, before they become columns."""
WRONG_ROW = "a row of quoted and plain cells"
"""What is expected of a row that the csv module refuses."""


def numbered_rows(lines: Iterable[str], delimiter: str, numbers: Sequence[int]) -> Iterator[tuple[int, list[str]]]:
    """Read rows, each with the number of the line it began on.

    Parameters
    ----------
    lines : iterable of str
        With their line ends.
    delimiter : str
    numbers : sequence of int
        The number of each line in the file, and of one more after the last.

    Yields
    ------
    (int, list of str)

    Raises
    ------
    CannotRead
        If quotes stand otherwise than around whole cells; names the line on which that row began.
    """
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    began = numbers[0]
    try:
        for row in reader:
            yield began, row
            began = numbers[reader.line_num]
    except csv.Error as error:
        raise CannotRead(WRONG_ROW, str(error), began) from error


def text_columns(rows: Iterable[list[str]], width: int) -> list[pa.StringArray]:
    """Turn rows of ``width`` cells into columns of text without outer spaces, some rows at a time."""
    parts: list[list[pa.StringArray]] = [[pa.array([], pa.string())] * width]
    some: list[list[str]] = []
    for row in rows:
        some.append(row)
        if len(some) == ROWS_AT_ONCE:
            parts.append(_columns(some))
            some = []
    if some:
        parts.append(_columns(some))
    return [pa.concat_arrays(column) for column in zip(*parts, strict=True)]


def _columns(rows: list[list[str]]) -> list[pa.StringArray]:
    return [pc.utf8_trim_whitespace(pa.array(column, pa.string())) for column in zip(*rows, strict=True)]
