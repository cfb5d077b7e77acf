"""A record derived from the earliest change on is, row for row, the record derived whole; what lies before is left."""

from __future__ import annotations

import shutil
from collections import Counter

import numpy as np
import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.later_rows import rows_recorded_after, rows_since
from stillwell.archive.tables import partial_reads
from stillwell.pipeline import derive as deriving
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.audit import audit
from stillwell.pipeline.committing import office_policy
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import compact
from stillwell.prepare import derive_from_change
from stillwell.prepare.earliest_change import NEVER, change_of
from stillwell.prepare.records import derived
from tests.pipeline import changes
from tests.pipeline.changes import FIRST, SAID, SITE, Held, begun, hours, rating
from tests.pipeline.season import NOW, season, take

DAY = pd.Timedelta(days=1)
CHANGED = FIRST + 20 * DAY + pd.Timedelta(hours=7)
"""When the changes of one kind alone begin to act; the record has forty days."""


@pytest.fixture
def held():
    """Make a record of forty days with two sensors, a correction, shifts and two ratings, derived."""
    held = Held(*office_policy())
    place = {"name": "invented", "utc_offset": "+02:00", "latitude": 10.0, "longitude": 20.0}
    held.take("sites", {"site": SITE} | place)
    rng = np.random.default_rng(7)
    for sensor in (None, "b"):
        rows = [{"site": SITE, "sensor": sensor, "time": t} for t in hours(FIRST, 960) if rng.random() > 0.1]
        held.take("stage", *(row | {"stage_m": round(float(rng.uniform(0.3, 1.9)), 3)} for row in rows))
    rating(held, "R1", FIRST - DAY)
    rating(held, "R2", FIRST + 15 * DAY, coefficient=11.0)
    shift = {"rating": "R2", "shift_m": 0.05} | SAID
    held.take("shifts", *(shift | {"from": FIRST + days * DAY} for days in (16, 19, 30)))
    held.take("corrections", _span("corrections", FIRST + 18 * DAY, FIRST + 19 * DAY, start_m=0.1, end_m=0.1))
    held.derive()
    return held


def _span(table, first, last, **more):
    condition = {"condition": "ice"} if table == "conditions" else {}
    return {"site": SITE, "from": first, "to": last} | condition | SAID | more


def _rating(held):
    rating(held, "R3", CHANGED, coefficient=9.0)


def _numbers(held):
    rating(held, "R2", FIRST + 15 * DAY, coefficient=12.0)


def _stage(held):
    held.take("stage", {"site": SITE, "time": CHANGED, "stage_m": 1.234})


ALONE = {
    "stage": (_stage, CHANGED),
    "corrections": (
        lambda held: held.take("corrections", _span("corrections", CHANGED, CHANGED + DAY, start_m=0.1, end_m=0.2)),
        CHANGED,
    ),
    "conditions": (lambda held: held.take("conditions", _span("conditions", CHANGED, CHANGED + DAY)), CHANGED),
    "another rating": (_rating, CHANGED),
    "numbers of a rating": (_numbers, FIRST + 15 * DAY),
    "shifts": (
        lambda held: held.take("shifts", {"rating": "R2", "from": CHANGED, "shift_m": 0.2} | SAID),
        FIRST + 19 * DAY,
    ),
    "shifts by stage": (
        lambda held: held.take(
            "shifts", *({"rating": "R2", "from": CHANGED, "stage_m": h, "shift_m": h / 10} | SAID for h in (0.5, 1.5))
        ),
        FIRST + 15 * DAY,
    ),
    "corrections that meet": (
        lambda held: held.take(
            "corrections", _span("corrections", FIRST + 18.5 * DAY, CHANGED, start_m=0.1, end_m=0.2)
        ),
        FIRST + 18 * DAY,
    ),
    "staff": (
        lambda held: held.take("gauge_heights", {"site": SITE, "read_at": CHANGED, "gauge_height_m": 2.9}),
        None,
    ),
    "reason": (
        lambda held: held.take(
            "corrections",
            _span("corrections", FIRST + 18 * DAY, FIRST + 19 * DAY, start_m=0.1, end_m=0.1, reason="said anew"),
        ),
        None,
    ),
}
"""By kind: a change, and the earliest moment whose value it bears on by the rules of records (``docs/records.md``)."""


def _both(held):
    """Derive the record whole and from the earliest change on; give the rows of both and what the second asked for."""
    whole = derived(held.view(), [SITE], held.told())
    view = held.view()
    made, now = held.marks(held.view())
    change = change_of(view, SITE, made, now, held.policy)
    view.asked.clear()
    part = None if change is None else derive_from_change.derived_onward(view, SITE, held.told(), change)
    return whole, part, change, view.asked


def _same(whole, part):
    assert part.keys() == whole.keys()
    for name, rows in whole.items():
        pd.testing.assert_frame_equal(part[name], rows, check_exact=True)


@pytest.mark.parametrize("kind", ALONE)
def test_a_change_of_one_kind_is_derived_from_its_earliest_moment_on(kind, held, monkeypatch):
    """The rows are those of the whole record; nothing before the day of the earliest moment is read or computed.

    Of stage three days more are read, for the lines and sensors that reach across; doubts about stage alone look at
    every stage, where stage, staff or a correction changed.
    """
    firsts, real = [], derive_from_change.record_of
    monkeypatch.setattr(derive_from_change, "record_of", lambda *a: firsts.append(a[3][0][0]) or real(*a))
    make, earliest = ALONE[kind]
    make(held)
    whole, part, change, asked = _both(held)
    _same(whole, part)
    assert bool(whole) == (earliest is not None)
    assert (change.since_us == NEVER) == (earliest is None)
    moments = {name: [m for table, m in asked if table == name] for name in ("stage", "discharge", "daily")}
    if earliest is None:
        assert (firsts, moments["discharge"], moments["daily"]) == ([], [], [])
        return
    assert change.since_us == earliest.value // 1000
    # a change reaches back 2 h for each of the two sensors and 2 h for a line; the site's day begins at 22:00 UTC
    reached = earliest - pd.Timedelta(hours=6)
    midnight = (reached - pd.Timedelta(hours=22)).floor("D") + pd.Timedelta(hours=22)
    assert moments["discharge"] == moments["daily"] == [midnight]
    assert pd.Timestamp(firsts[0], unit="us", tz="UTC") >= midnight - 3 * DAY
    assert set(moments["stage"]) == ({None} if change.of_stage else {earliest - 3 * DAY})
    assert len(whole["discharge"]) < 960


@pytest.mark.parametrize("kind", ["policy", "register", "no entry", "files unexplained", "ratings unexplained"])
def test_a_change_that_tells_no_moment_has_the_record_derived_whole(kind, held):
    """Another policy, another register, or a past that ledger and rows do not explain: the whole record is derived."""
    _rating(held)
    _stage(held)
    made, now = held.marks(held.view())
    assert change_of(held.view(), SITE, made, now, held.policy).since_us == CHANGED.value // 1000
    if kind == "policy":
        now["policy"] = "0" * 64
    elif kind == "register":
        now[f"sites/{SITE}"] = "0" * 64
    elif kind == "no entry":
        made = None
    elif kind == "files unexplained":
        now[f"stage/{SITE}/2025"] = "0" * 64
    else:
        made.made_from["rows:ratings"] = "0" * 64
    assert change_of(held.view(), SITE, made, now, held.policy) is None
    whole = derived(held.view(), [SITE], held.told())
    _same(whole, derive_from_change.derived_from_change(held.view(), SITE, held.told(), made, now))


def _sequences(seeds, monkeypatch):
    """Draw sequences of changes, derived now and then; count how each derivation was made."""
    how, real = Counter(), derive_from_change.derived_onward

    def noted(view, site, told, change):
        rows = real(view, site, told, change)
        how["whole" if rows is None else "doubts" if change.since_us == NEVER else "part"] += 1
        return rows

    monkeypatch.setattr(derive_from_change, "derived_onward", noted)
    for seed in seeds:
        rng = np.random.default_rng(seed)
        held = begun(*office_policy(), rng)
        for _ in range(int(rng.integers(2, 6))):
            for _ in range(int(rng.integers(1, 4))):
                changes.change(held, rng)
            made, now = held.marks(held.view())
            part = derive_from_change.derived_from_change(held.view(), SITE, held.told(), made, now)
            _same(held.derive(), part)
    return how


def test_changes_in_any_sequence_come_to_the_rows_of_the_whole_record(monkeypatch):
    """Drawn changes of stage, corrections, conditions, ratings, shifts, staff and registers, with up to 3 sensors."""
    assert _sequences(range(1), monkeypatch)["part"] >= 1


@pytest.mark.soak
def test_changes_in_two_hundred_sequences_come_to_the_rows_of_the_whole_record(monkeypatch):
    """The same for 200 sequences."""
    assert _sequences(range(1000, 1200), monkeypatch)["part"] >= 200


@pytest.fixture(scope="module")
def derived_years(tmp_path_factory):
    """Make an archive of a site with a rating and ten days of stage in each of three years, derived each time."""
    tmp_path = tmp_path_factory.mktemp("years")
    root = season(tmp_path)
    one = {"rating": "R1", "site": "S1", "valid_from": "2020-01-01T00:00Z"} | SAID
    segment = {"rating": "R1", "segment": 1, "from_m": 0.5, "coefficient": 10.0, "zero_stage_m": 0.5, "exponent": 2.0}
    adopt(root, deposit_of("R1", {"ratings": [one], "rating_segments": [segment]}), by="H1", now=NOW)
    for year in (2023, 2024, 2025):
        folder = tmp_path / str(year)
        folder.mkdir()
        times = pd.date_range(f"{year}-05-01T00:00Z", periods=240, freq="1h").strftime("%Y-%m-%dT%H:%M:%SZ")
        stage = [round(1.5 + 0.01 * (i % 24), 3) for i in range(240)]
        pd.DataFrame({"site": "S1", "time": times, "stage_m": stage}).to_csv(folder / "stage.csv", index=False)
        take(root, folder, render_now=False)
        derive(root, by="H1", now=NOW, render_now=False)
    return root


@pytest.fixture
def years(derived_years, tmp_path):
    """Copy that archive."""
    return shutil.copytree(derived_years, tmp_path / "archive")


def _opened(monkeypatch, root):
    """Note the table files that are opened from now on, as the ledger lists them."""
    listed, seen, real = Archive(root).listing(), [], partial_reads._read

    def noted(path, *more):
        seen.append(listed.get(str(path.relative_to(root))))
        return real(path, *more)

    monkeypatch.setattr(partial_reads, "_read", noted)
    return seen


@pytest.mark.parametrize("compacted", [pytest.param(False, marks=pytest.mark.soak), True])
def test_of_a_long_record_no_file_of_years_before_the_change_is_opened(compacted, years, tmp_path, monkeypatch):
    """A condition of 2025 opens files with rows of 2025 alone; the commit is proved by deriving the whole record."""
    (tmp_path / "ice").mkdir()
    (tmp_path / "ice" / "conditions.csv").write_text(
        "site,from,to,condition,by,reason\nS1,2025-05-06T01:00Z,2025-05-06T09:00Z,ice,H1,made up\n"
    )
    take(years, tmp_path / "ice", render_now=False)
    if compacted:
        compact(years, most=0, by="T1", now=NOW)
    with monkeypatch.context() as patch:
        patch.setattr(deriving, "derivation", _refused)
        seen = _opened(patch, years)
        with pytest.raises(_Refused):
            derive(years, by="H1", now=NOW, render_now=False)
    of_series = [file for file in seen if file and file.table in ("stage", "discharge", "daily")]
    assert {file.table for file in of_series} == {"stage", "discharge", "daily"}
    assert [file.path for file in of_series if 2025 not in file.years] == []
    for table in ("stage", "discharge"):
        assert {file.years for file in Archive(years).table_files(table, ["S1"])} == {(2023,), (2024,), (2025,)}
    _, tables = derive(years, by="H1", now=NOW, render_now=False)
    assert len(tables["discharge"]) == 8
    assert list(tables["daily"]["day"]) == ["2025-05-06"]
    assert audit(years).faults == ()


class _Refused(Exception):
    """Raised in place of a commit."""


def _refused(*args):
    raise _Refused


def test_rows_recorded_after_a_commit_are_read_wherever_they_lie(years, tmp_path):
    """The rows a deposit brought are those recorded after the commit before it, also once compacted with others."""
    entry = Archive(years).ledger.head()
    (tmp_path / "more").mkdir()
    lines = "site,time,stage_m\nS1,2024-06-01T00:00Z,1.0\nS1,2026-01-01T00:00Z,1.1\n"
    (tmp_path / "more" / "stage.csv").write_text(lines)
    take(years, tmp_path / "more", render_now=False)
    for _ in range(2):
        archive = Archive(years, complete=True)
        rows = rows_recorded_after(archive, "stage", "S1", entry.number, entry.recorded_at)
        assert sorted(rows["stage_m"]) == [1.0, 1.1]
        late = rows_since(archive, "stage", "S1", pd.Timestamp("2025-05-10T23:00Z"))
        assert sorted(late["time"].dt.strftime("%Y-%m-%dT%H")) == ["2025-05-10T23", "2026-01-01T00"]
        compact(years, most=0, by="T1", now=NOW)
