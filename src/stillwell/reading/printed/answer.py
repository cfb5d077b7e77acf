"""An answer as bytes in the asked format."""

from __future__ import annotations

import io

import pyarrow as pa
import pyarrow.parquet as pq

from stillwell.errors import QueryError
from stillwell.reading.printed.text import answer_as_table, as_csv, as_json


def answer_bytes(answer: pa.Table, format_: str) -> bytes:
    """Write an answer as table, csv, json or parquet.

    Parameters
    ----------
    answer : pyarrow.Table
    format_ : str

    Returns
    -------
    bytes

    Raises
    ------
    QueryError
        If a value cannot be written so: a date outside the years 1 to 9999, or a type that Parquet has none for.
    """
    if format_ == "parquet":
        out = io.BytesIO()
        try:
            pq.write_table(answer, out, compression="zstd")
        except pa.ArrowNotImplementedError as error:
            msg = f"expected an answer that Parquet has types for, found: {error}; cast the column to text"
            raise QueryError(msg) from error
        return out.getvalue()
    try:
        text = {"table": answer_as_table, "csv": as_csv, "json": as_json}[format_](answer)
    except OverflowError as error:
        msg = "expected dates and times of the years 1 to 9999, found one outside; CAST(x AS VARCHAR) writes it as text"
        raise QueryError(msg) from error
    return (text if text.endswith("\n") else text + "\n").encode("utf-8")
