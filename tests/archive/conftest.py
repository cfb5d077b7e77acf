"""Invented rows, deposits and commits for the archive's tests."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.disk.lock import WAIT_S
from stillwell.archive.writing.writer import Commit, open_writer
from stillwell.fingerprint import canonical_json, folder_digest, sha256
from stillwell.schemas import ARCHIVE_TABLES, SCHEMA_VERSION
from stillwell.schemas.derive import columns, table_schema
from stillwell.shared_types import Deposit, DepositFile

START = datetime(2025, 5, 1, 8, tzinfo=UTC)


def _values(column, n):
    if column.kind == "text":
        word = column.words[0] if column.words else column.name
        return pd.Series([word if column.words else f"{word}-{i}" for i in range(n)], dtype="str")
    if column.kind == "number":
        low = column.minimum if column.minimum is not None else column.above or 0.0
        high = column.maximum if column.maximum is not None else low + 10
        return pd.Series(np.linspace(low, high, n + 2)[1:-1], dtype="float64")
    if column.kind == "count":
        return pd.Series(pd.array([1] * n, dtype="Int64"))
    if column.kind == "flag":
        return pd.Series(pd.array([True] * n, dtype="boolean"))
    return pd.Series(pd.to_datetime([START] * n, utc=True)).dt.as_unit("us")


@pytest.fixture
def rows():
    """Return a maker of invented rows of an archive table, with some columns set."""

    def make(table, n=1, **changes):
        frame = pd.DataFrame({c.name: _values(c, n) for c in columns(ARCHIVE_TABLES[table])})
        if "site" in frame and "site" not in changes:
            changes["site"] = "alder"
        for name, value in changes.items():
            values = value if isinstance(value, (list, pd.Series, pd.DatetimeIndex)) else [value] * n
            frame[name] = pd.Series(values).astype(frame[name].dtype)
        return frame

    return make


@pytest.fixture
def deposit():
    """Return a maker of invented deposits: a csv from text, or a folder from a dict of files."""

    def make(content, name="season.csv"):
        if isinstance(content, dict):
            files = tuple(DepositFile(path, data) for path, data in sorted(content.items()))
            return Deposit(name, "folder", folder_digest(content.items()), files)
        data = content.encode()
        return Deposit(name, "csv", sha256(data), (DepositFile(name, data),))

    return make


class Clock:
    """A clock that moves on a second each time it is read."""

    def __init__(self):
        self.moment = START

    def __call__(self):
        """Return the moment after the one before."""
        self.moment += timedelta(seconds=1)
        return self.moment


@pytest.fixture
def clock():
    """Return a clock that moves on a second each time it is read."""
    return Clock()


@pytest.fixture
def write(clock):
    """Return a function that makes one commit in a writer of its own."""

    def commit(root, *deposits, tables=None, step=None, now=clock, wait_s=WAIT_S, **more):
        hook = {} if step is None else {"step": step}
        with open_writer(root, software_version="0.0", by="tester", now=now, wait_s=wait_s, **hook) as writer:
            notes = [{"deposit": d.digest, "outcome": "taken"} for d in deposits]
            return writer.commit(Commit(deposits, notes, tables or {}, reason="test", **more))

    return commit


@pytest.fixture
def schemas_of():
    """Return the Table Schema documents of some tables, as a first commit writes them."""

    def documents(*tables):
        described = {t: table_schema(t, ARCHIVE_TABLES[t], SCHEMA_VERSION) for t in tables}
        return {f"schemas/{t}.json": canonical_json(said) for t, said in described.items()}

    return documents


@pytest.fixture
def tree():
    """Return a function that digests every file under a folder, work files left out."""

    def digests(root):
        files = (p for p in sorted(root.rglob("*")) if p.is_file() and p.relative_to(root).parts[0] != "work")
        return {p.relative_to(root).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}

    return digests
