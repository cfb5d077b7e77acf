"""An answer as bytes in the asked format, and into a file the user named."""

from __future__ import annotations

import io
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from stillwell.reading.render import answer_as_table, as_csv, as_json


def answer_bytes(answer: pa.Table, format_: str) -> bytes:
    """Write an answer as table, csv, json or parquet.

    Parameters
    ----------
    answer : pyarrow.Table
    format_ : str

    Returns
    -------
    bytes
    """
    if format_ == "parquet":
        out = io.BytesIO()
        pq.write_table(answer, out, compression="zstd")
        return out.getvalue()
    text = {"table": answer_as_table, "csv": as_csv, "json": as_json}[format_](answer)
    return (text if text.endswith("\n") else text + "\n").encode("utf-8")


def write_answer(path: Path, data: bytes) -> None:
    """Write bytes to a file outside the archive, whole or not at all."""
    draft = path.with_name(path.name + ".part")
    draft.write_bytes(data)
    draft.replace(path)
