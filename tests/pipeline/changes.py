"""A record held in memory: deposits as rows, commits as ledger entries, and changes drawn at random."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from stillwell.archive.ledger.entries import Entry
from stillwell.archive.ledger.input_digests import Inputs
from stillwell.archive.revisions.registers import new_rows, new_values
from stillwell.archive.revisions.snapshot import History, Snapshot
from stillwell.fingerprint import sha256
from stillwell.prepare import CommitContext
from stillwell.prepare.records import TABLES, derived
from stillwell.prepare.watermarks import last_made, mark_name, record_marks
from stillwell.reading.policy import default_policy_text
from stillwell.schemas import ARCHIVE_TABLES, SERIES_TIME
from stillwell.schemas.derive import columns, key_names
from stillwell.shared_types import RULES, ListedFile
from tests.making import frame

SITE = "S1"
FIRST = pd.Timestamp("2025-03-01T00:00Z")
SAID = {"by": "H1", "reason": "made up"}
INPUTS = (
    "sites", "stage", "corrections", "conditions", "ratings", "rating_segments", "shifts", "gauge_heights",
)  # fmt: skip


class Kept(Snapshot):
    """The record's archive as it stands, with the ledger that ``record_marks`` asks."""

    def __init__(self, tables, moment, ledger):
        super().__init__(History(tables), moment)
        self.ledger = ledger
        self.asked = []

    def read(self, table, sites=None, columns=None):
        """Return the rows of every revision, and note that all were asked for."""
        self.asked.append((table, None))
        return super().read(table, sites, columns)

    def since(self, table, site, moment):
        """Return the rows of a series from a moment on, and note from when."""
        self.asked.append((table, moment))
        rows = super().read(table, [site])
        return rows[rows[SERIES_TIME[table]] >= moment].reset_index(drop=True)

    def recorded_after(self, table, site, number, moment):
        """Return the rows recorded after a commit."""
        rows = super().read(table, [site])
        return rows[rows["recorded_at"] > pd.Timestamp(moment)].reset_index(drop=True)


class Ledger:
    """Entries in memory."""

    def __init__(self):
        self.entries = []

    def head_number(self):
        """Return the number of the newest."""
        return len(self.entries)

    def entry(self, number):
        """Return one."""
        return self.entries[number - 1]

    def inputs(self):
        """Return the running digests after the newest."""
        inputs = Inputs()
        for entry in self.entries:
            inputs.add(entry)
        return inputs


class Held:
    """An archive of one site in memory, taken in and derived by the functions that serve one on disk."""

    def __init__(self, policy, digest):
        self.policy, self.digest = policy, digest
        self.ledger = Ledger()
        self.tables = {name: frame(name, [], kept=True) for name in (*INPUTS, *TABLES, "gaugings")}

    def _commit(self, tables, made_from=None, reason="ingest"):
        number, moment = self.ledger.head_number() + 1, self._moment()
        files = []
        for name, rows in tables.items():
            rows = rows.assign(
                recorded_at=pd.Series(pd.Timestamp(moment), index=rows.index, dtype="datetime64[us, UTC]")
            )
            rows = rows[[c.name for c in columns(ARCHIVE_TABLES[name])]]
            self.tables[name] = pd.concat([self.tables[name], rows], ignore_index=True)
            sites = (SITE,) if "site" in rows else ()
            years = tuple(sorted(set(rows[SERIES_TIME[name]].dt.year))) if name in SERIES_TIME else ()
            files.append(
                ListedFile(
                    f"tables/{name}/{number:08d}-0.parquet",
                    1,
                    sha256(f"{name}{number}".encode()),
                    name,
                    sites,
                    len(rows),
                    years,
                )
            )
        entry = Entry(number, "", moment, "H1", {}, reason, "2.0", files=tuple(files), made_from=made_from or {})
        self.ledger.entries.append(entry)

    def _moment(self):
        return datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=self.ledger.head_number() + 1)

    def take(self, table, *rows):
        """Take in a deposit of one table; rows that say nothing new are left out, as an ingest does."""
        deposit = sha256(str(self.ledger.head_number()).encode())
        incoming = frame(table, [{"deposit": deposit, **row} for row in rows])
        incoming = incoming.drop(columns=["recorded_at", "revision"], errors="ignore")
        kept = self.tables[table]
        new = (
            new_values(incoming, kept)
            if table == "stage"
            else new_rows(incoming, kept, key_names(ARCHIVE_TABLES[table]))
        )
        if len(new):
            self._commit({table: new})

    def view(self):
        """Return the archive as it stands."""
        return Kept(self.tables, self._moment(), self.ledger)

    def told(self):
        """Say what the commit to come depends on beside."""
        number = self.ledger.head_number() + 1
        return CommitContext(number, self._moment(), "H1", "0", self.policy, self.digest, self.digest)

    def marks(self, view):
        """Return the last derivation of the record, and its inputs of now."""
        marks = record_marks(view, [SITE], default_policy_text(), self.digest, RULES)
        return last_made(self.ledger, [SITE]).get(SITE), marks[SITE]

    def derive(self):
        """Derive the whole record and commit it."""
        view = self.view()
        rows = derived(view, [SITE], self.told())
        self._commit(rows, {mark_name(SITE): self.marks(view)[1]}, "derive")
        return rows


def hours(first, count, step_h=1.0):
    """Name moments in UTC."""
    return [first + pd.Timedelta(hours=step_h * i) for i in range(count)]


def rating(held, name, since, coefficient=10.0, zero=0.2, exponent=2.0, **more):
    """Take in a rating ``Q = C (h - e)^b`` and its segment."""
    row = {"rating": name, "site": SITE, "valid_from": since, "gauged_from_m": 0.4, "gauged_to_m": 2.0} | SAID | more
    held.take("ratings", row)
    segment = {"rating": name, "segment": 1, "from_m": 0.2, "coefficient": coefficient, "zero_stage_m": zero}
    held.take("rating_segments", segment | {"exponent": exponent})


def begun(policy, digest, rng, days=8):
    """Make a record of some days with one to three sensors, a rating and sometimes shifts, derived."""
    held = Held(policy, digest)
    held.take("sites", {"site": SITE, "name": "invented", "utc_offset": "+02:00", "latitude": 10.0, "longitude": 20.0})
    for sensor in SENSORS[: rng.integers(1, 4)]:
        logger(held, rng, sensor, FIRST + pd.Timedelta(minutes=int(rng.integers(0, 90))), days * 24)
    rating(held, "R1", FIRST - pd.Timedelta(days=int(rng.integers(-2, 30))))
    held.derive()
    return held


SENSORS = ("", "b", "c")


def logger(held, rng, sensor, first, count):
    """Take in so many hours of a sensor, some of them missing, with a contradiction now and then."""
    kept = [moment for moment in hours(first, count) if rng.random() > 0.1]
    rows = [
        {"site": SITE, "sensor": sensor or None, "time": t, "stage_m": round(float(rng.uniform(0.1, 3)), 3)}
        for t in kept
    ]
    if rows and rng.random() < 0.2:
        rows.append(rows[-1] | {"stage_m": 0.777})
    if rows:
        held.take("stage", *rows)


def drawn(held, rng):
    """Draw a moment in the record, or a day beyond either end."""
    times = held.tables["stage"]["time"]
    span = (times.max() - times.min()) / pd.Timedelta(minutes=1)
    return (times.min() + pd.Timedelta(minutes=int(rng.integers(-1440, span + 1440)))).floor("min")


def change(held, rng):
    """Make one change drawn at random."""
    CHANGES[list(CHANGES)[rng.choice(len(CHANGES), p=WEIGHTS)]](held, rng)


def _more_stage(held, rng):
    newest = held.tables["stage"]["time"].max()
    gap = int(rng.choice([1, 1, 1, 5, 60, 2000]))
    logger(held, rng, str(rng.choice(SENSORS)), newest + pd.Timedelta(hours=gap), int(rng.integers(1, 40)))


def _stage_corrected(held, rng):
    logger(held, rng, str(rng.choice(SENSORS)), drawn(held, rng), int(rng.integers(1, 6)))


def _span(held, rng):
    first = drawn(held, rng)
    return {"site": SITE, "from": first, "to": first + pd.Timedelta(minutes=int(rng.integers(1, 5000)))} | SAID


def _again(held, rng, table):
    """Draw a row that stands there already, to be handed in with other numbers; nothing of an empty table."""
    rows = held.tables[table]
    if rows.empty or rng.random() < 0.6:
        return {}
    row = rows.iloc[int(rng.integers(len(rows)))].dropna().to_dict()
    return {
        name: row[name] for name in row if name not in ("revision", "recorded_at", "deposit", "row_file", "row_line")
    }


def _correction(held, rng):
    sensor = str(rng.choice(SENSORS[:2])) or None
    start, end = (round(float(rng.uniform(-0.3, 0.3)), 2) for _ in range(2))
    held.take(
        "corrections",
        _span(held, rng) | {"sensor": sensor} | _again(held, rng, "corrections") | {"start_m": start, "end_m": end},
    )


def _condition(held, rng):
    word = str(rng.choice(["ice", "backwater", "estimated"]))
    span = _span(held, rng) | {"condition": word}
    again = _again(held, rng, "conditions")
    held.take("conditions", span | again | ({"to": again["from"] + pd.Timedelta(hours=9)} if again else {}))


def _rating(held, rng):
    ratings = held.tables["ratings"]
    same = str(rng.choice(ratings["rating"]))
    name = same if rng.random() < 0.4 else f"R{len(ratings) + 1}"
    since = ratings["valid_from"].iloc[-1] if rng.random() < 0.3 else drawn(held, rng)
    rating(held, name, since, round(float(rng.uniform(5, 20)), 1), exponent=float(rng.choice([1.5, 2.0, 1.83])))


def _segment(held, rng):
    row = held.tables["rating_segments"].iloc[-1]
    held.take(
        "rating_segments",
        {
            "rating": row["rating"],
            "segment": 1,
            "from_m": 0.2,
            "zero_stage_m": 0.2,
            "coefficient": round(float(rng.uniform(5, 20)), 1),
            "exponent": 2.0,
        },
    )


def _shift(held, rng):
    name = str(rng.choice(held.tables["ratings"]["rating"]))
    again = _again(held, rng, "shifts")
    moment = drawn(held, rng) + pd.Timedelta(seconds=held.ledger.head_number() % 60)
    if again or rng.random() < 0.6:
        held.take(
            "shifts", {"rating": name, "from": moment} | again | {"shift_m": round(float(rng.uniform(-0.1, 0.1)), 3)}
        )
        return
    held.take(
        "shifts",
        *(
            {"rating": name, "from": moment, "stage_m": h, "shift_m": round(float(rng.uniform(-0.1, 0.1)), 3)}
            for h in rng.choice([0.5, 1.0, 1.5, 2.5], 2, replace=False)
        ),
    )


def _staff(held, rng):
    held.take(
        "gauge_heights",
        {"site": SITE, "read_at": drawn(held, rng), "gauge_height_m": round(float(rng.uniform(0, 3)), 2)},
    )


def _reason(held, rng):
    """Hand in decisions with other words and the same numbers."""
    for table in ("corrections", "conditions", "ratings"):
        rows = held.tables[table]
        if len(rows):
            row = rows.sort_values("recorded_at", kind="stable").iloc[-1].dropna().to_dict()
            kept = {
                n: v for n, v in row.items() if n not in ("revision", "recorded_at", "deposit", "row_file", "row_line")
            }
            held.take(table, kept | {"reason": f"said again {held.ledger.head_number()}"})


def _register(held, rng):
    offset = str(rng.choice(["+02:00", "-05:00"]))
    held.take(
        "sites",
        {
            "site": SITE,
            "name": f"invented {rng.integers(9)}",
            "utc_offset": offset,
            "latitude": 10.0,
            "longitude": 20.0,
        },
    )


def _policy(held, rng):
    held.policy, held.digest = LIMITS[int(rng.integers(len(LIMITS)))]


LIMITS = []
"""Policies to draw from, each with its digest; filled by the test."""

CHANGES = {
    "more stage": _more_stage,
    "stage corrected": _stage_corrected,
    "correction": _correction,
    "condition": _condition,
    "rating": _rating,
    "segment": _segment,
    "shift": _shift,
    "staff": _staff,
    "reason": _reason,
    "register": _register,
}
WEIGHTS = np.array([5, 4, 3, 3, 2, 1, 4, 2, 1, 0.5]) / 25.5
