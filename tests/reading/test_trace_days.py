"""A daily mean and one discharge traced back to bytes, and what rests on ratings, loggers and sensors."""

from __future__ import annotations

import hashlib
import json
import shutil

import defusedxml.ElementTree as ElementTree
import numpy as np
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.provenance.derived import derivation_provenance
from stillwell.errors import ArchiveDamaged, QueryError
from stillwell.pipeline import derive as deriving
from stillwell.pipeline.adopt import adopt, deposit_of
from stillwell.pipeline.audit import audit
from stillwell.pipeline.derive import derive
from stillwell.pipeline.rebuild import rebuild
from stillwell.reading.trace.graph import as_dict
from stillwell.reading.trace.picture import trace_svg
from stillwell.reading.trace.text import trace_text
from stillwell.reading.trace.trace import trace, trace_forward
from tests.pipeline.season import NOW, season, take
from tests.reading.recorded_stage import logger, rating, stages


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Make the archive once."""
    return stages(tmp_path_factory.mktemp("stages"))


def _edges(made, traced):
    """Write edges with the names of deposits for their digests, without sealed files, sites and commits."""
    out = set()
    for edge in traced.edges:
        start, end = edge.start, edge.end
        for name, digest in made.digests.items():
            start, end = (text.replace(digest, name).replace(digest[:16], name) for text in (start, end))
        kinds = {start.partition(":")[0], end.partition(":")[0]}
        if kinds.isdisjoint({"file", "site", "commit", "policy", "software", "deposit"}):
            out.add((start, end, edge.relation, edge.commit))
    return out


def test_a_daily_mean_goes_back_to_bytes(made):
    """The first day by hand: logger a, which comes first, its 24 lines, R1 with both shifts, the correction of a."""
    root, record = "day:S1/2025-05-01", "record:S1/10/daily"
    expected = {
        (root, record, "row of", 10),
        (record, "adoption:R1/R1", "rated by", 10),
        ("adoption:R1/R1", "rating:R1", "a state of", 5),
        ("adoption:R1/R1", "rows:R1/ratings.csv 2", "stands on", 5),
        ("adoption:R1/R1", "rows:R1/rating_segments.csv 2", "stands on", 5),
        (record, "shift:R1/first", "shifted by", 10),
        (record, "shift:R1/second", "shifted by", 10),
        ("shift:R1/first", "rating:R1", "shifts", 6),
        ("shift:R1/second", "rating:R1", "shifts", 7),
        ("shift:R1/first", "rows:first/shifts.csv 2", "stands on", 6),
        ("shift:R1/second", "rows:second/shifts.csv 2", "stands on", 7),
        (record, "correction:S1/a/corrections", "corrected by", 10),
        ("correction:S1/a/corrections", "sensor:S1/a", "corrects", 8),
        ("correction:S1/a/corrections", "rows:corrections/corrections.csv 2", "stands on", 8),
        (record, "series:S1/a/a", "stage from", 10),
        ("series:S1/a/a", "sensor:S1/a", "recorded by", 3),
        ("series:S1/a/a", "rows:a/stage.csv 2-25", "stands on", 3),
    }
    traced = trace(made.archive, "S1/2025-05-01")
    assert expected == _edges(made, traced)
    ends = {(e.end, e.relation) for e in traced.edges if e.start == record}
    assert {("software:0.1.0", "computed by"), ("site:S1", "made at"), ("commit:10", "recorded in")} <= ends
    assert any(end.startswith("policy:") and relation == "judged under" for end, relation in ends)


def test_the_figures_of_a_day_are_its_row(made):
    """Six of 24 hourly values are ``10 x 1.01^2``, the others 10; logger b is used from two hours after the last."""
    traced = trace(made.archive, "S1 2025-05-01")
    details = dict(traced.by_id()[traced.root].details)
    row = made.archive.standing("daily", ["S1"]).query("day == '2025-05-01'").iloc[0]
    assert row["mean_m3_s"] == float(details["mean"].removesuffix(" m3/s"))
    # trapezia over the 23 h that are known
    np.testing.assert_allclose(10 + 0.201 * 6 / 23, row["mean_m3_s"])
    assert [details["from"], details["to"]] == [f"2025-05-0{day}T00:00:00.000000Z" for day in (1, 2)]
    assert row["marks"] == details["marks"]
    assert (str(row["values"]), "1") == (details["values"], details["revision"])


def test_a_day_with_two_ratings_names_both_and_what_it_replaced(made):
    """R1 holds to noon of 2 May and R2 after it; the last line ends at midnight, under ice and a correction."""
    traced = trace(made.archive, "S1/2025-05-02")
    edges = _edges(made, traced)
    record = "record:S1/12/daily"
    assert ("day:S1/2025-05-02", record, "row of", 12) in edges
    assert {"adoption:R1/R1", "adoption:R2/R2"} == {end for start, end, rel, _ in edges if rel == "rated by"}
    # the last moment before the day is the only one that acts, since none comes after
    assert {"shift:R1/second"} == {end for start, end, rel, _ in edges if rel == "shifted by"}
    assert ("series:S1/b/b", "rows:b/stage.csv 28-49", "stands on", 4) in edges
    assert ("series:S1/b/b", "rows:b/stage.csv 50", "joined at its ends to", 4) in edges
    acting = {end for _, end, rel, _ in edges if rel in ("corrected by", "marked by")}
    assert {"correction:S1/b/corrections", "condition:S1/ice"} == acting
    assert (record, "record:S1/10/daily", "takes the place of", 12) in edges
    assert traced.by_id()["record:S1/10/daily"].label.endswith("commit 10")
    # 22 h known; in the last hour a line from 10 to 10 x 1.02^2
    before, words = dict(traced.by_id()[traced.root].details)["revision 1"].split(" ", 1)
    np.testing.assert_allclose(10 + 10 * (1.02**2 - 1) / 2 / 22, float(before))
    assert "m3/s, recorded at" in words


def test_what_acts_on_one_day_only_is_not_named_on_another(made):
    """Ice and the correction of logger b belong to 3 May alone, and R1 no longer holds there."""
    edges = _edges(made, trace(made.archive, "S1/2025-05-03"))
    used = {end for start, end, _, _ in edges if start == "record:S1/12/daily"}
    expected = {"adoption:R2/R2", "correction:S1/b/corrections", "condition:S1/ice", "series:S1/b/b"}
    assert expected | {"record:S1/10/daily"} == used
    assert ("condition:S1/ice", "rows:ice/conditions.csv 2", "stands on", 9) in edges


@pytest.mark.parametrize(
    ("moment", "used", "line"),
    [
        ("2025-05-01T05:00Z", {"adoption:R1/R1", "shift:R1/first", "series:S1/a/a"}, "rows:a/stage.csv 7"),
        (
            "2025-05-01T08:00+02:00",
            {"adoption:R1/R1", "shift:R1/first", "shift:R1/second", "correction:S1/a/corrections", "series:S1/a/a"},
            "rows:a/stage.csv 8",
        ),
        (
            "2025-05-01T12:00:00Z",
            {"adoption:R1/R1", "shift:R1/first", "shift:R1/second", "series:S1/a/a"},
            "rows:a/stage.csv 14",
        ),
        ("2025-05-02T12:00Z", {"adoption:R2/R2", "series:S1/b/b", "record:S1/10/discharge"}, "rows:b/stage.csv 38"),
    ],
)
def test_one_discharge_goes_back_to_its_line(made, moment, used, line):
    """Rating and shifts around the moment, the correction in whose half-open span it lies, and one line of stage."""
    traced = trace(made.archive, f"S1@{moment}")
    edges = _edges(made, traced)
    record = next(end for start, end, rel, _ in edges if rel == "row of")
    assert used == {end for start, end, _, _ in edges if start == record}
    assert {line} == {end for start, end, rel, _ in edges if start.startswith("series:") and end.startswith("rows:")}
    number, text = line.rpartition(" ")[2], line.partition("/")[2].rpartition(" ")[0]
    file = next(n for n in traced.of_kind("file") if n.label == text)
    details = dict(file.details)
    data = (made.archive.root / details["path"]).read_bytes()
    assert details["sha512"] == hashlib.sha512(data).hexdigest()
    assert data.decode().splitlines()[int(number) - 1].endswith(",1.5")


def test_a_moment_between_the_rows_of_a_set_does_not_rest_on_it(tmp_path):
    """At noon the shifts of 10:00 and 14:00 act; those of 0:00 and 23:00, and corrections before and after, do not."""
    root = season(tmp_path)
    take(root, logger(tmp_path / "one", "", 24))
    adopt(root, rating("R1", "2025-01-01T00:00Z"), by="H1", now=NOW)
    digests = {}
    for name, hours in (("around", (0, 23)), ("within", (10, 14))):
        row = {"rating": "R1", "shift_m": 0.01, "by": "H1", "reason": "checked"}
        rows = [row | {"from": f"2025-05-01T{hour:02}:00Z"} for hour in hours]
        digests[adopt(root, deposit_of(name, {"shifts": rows}), by="H1", now=NOW).deposits[0].digest[:16]] = name
    corrections = [
        {"site": "S1", "from": f"2025-05-01T{hour}:00Z", "to": f"2025-05-01T{hour}:30Z", "reason": "staff", "by": "H1"}
        | {"start_m": 0.01, "end_m": 0.01}
        for hour in ("03", "20")
    ]
    adopt(root, deposit_of("corrections", {"corrections": corrections}), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    relations = ("shifted by", "corrected by")

    def acting(subject):
        edges = [edge for edge in trace(Archive(root), subject).edges if edge.relation in relations]
        return {digests.get(edge.end[-16:], edge.relation) for edge in edges}

    assert {"within"} == acting("S1@2025-05-01T12:00Z")
    assert {"around", "within", "corrected by"} == acting("S1/2025-05-01")
    assert {"around", "within", "corrected by"} == acting("S1@2025-05-01T20:00Z")


def test_the_stage_is_that_which_stood_when_it_was_derived(tmp_path):
    """A value handed in again after the derivation does not change what the day rests on until it is derived again."""
    root = season(tmp_path)
    first = take(root, logger(tmp_path / "one", "", 24)).deposits[0].digest
    adopt(root, rating("R1", "2025-01-01T00:00Z"), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    again = tmp_path / "again"
    again.mkdir()
    (again / "stage.csv").write_text("site,time,stage_m\nS1,2025-05-01T03:00Z,1.6\n")
    second = take(root, again).deposits[0].digest

    def lines():
        traced = trace(Archive(root), "S1/2025-05-01")
        return {e.end for e in traced.edges if e.start.startswith("series:") and e.end.startswith("rows:")}

    assert {f"rows:{first}/stage.csv 2-25"} == lines()
    derive(root, by="H1", now=NOW)
    assert {f"rows:{first}/stage.csv 2-4,6-25", f"rows:{second}/stage.csv 2"} == lines()


@pytest.mark.parametrize(
    ("subject", "records"),
    [
        ("R1", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
        ("rating:R2", {"12/daily", "12/discharge"}),
        ("a", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
        ("b", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
        ("sensor:S1/a", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
        ("S1", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
        ("S2", set()),
        ("first", {"10/daily", "10/discharge", "10/series_doubts"}),
        ("ice", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
        ("software:0.1.0", {"10/daily", "10/discharge", "10/series_doubts", "12/daily", "12/discharge"}),
    ],
)
def test_forward_to_the_records_that_rest_on_it(made, subject, records):
    """By hand: what a logger, a rating, its shifts or a site bears on, with the commits and spans of it.

    The last value of logger a lies within the longest gap bridged before the days derived again.
    """
    traced = trace_forward(made.archive, made.digests.get(subject, subject))
    nodes = {node.id.removeprefix("record:S1/"): node for node in traced.of_kind("record")}
    assert records == set(nodes)
    if "12/discharge" in nodes:
        assert "2025-05-02T12:00Z to 2025-05-03T23:00Z" in nodes["12/discharge"].label
        assert nodes["12/discharge"].label.endswith("commit 12")
        assert ("record:S1/12/discharge", "commit:12") in {(e.start, e.end) for e in traced.edges}


def test_forward_and_back_agree(made):
    """What was handed in is in the trace of a day only if the day's record is in the trace forward from it."""
    for day, number in (("2025-05-01", 10), ("2025-05-03", 12)):
        back = {dict(n.details)["sha256"] for n in trace(made.archive, f"S1/{day}").of_kind("deposit")}
        forward = {
            digest
            for digest in made.digests.values()
            if f"record:S1/{number}/daily" in trace_forward(made.archive, f"deposit:{digest}").by_id()
        }
        assert back & set(made.digests.values()) <= forward


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        ("S1/2025-06-01", ("2025-05-01 to 2025-05-03", "found 2025-06-01")),
        ("S2/2025-05-01", ("derived record", "'S2'")),
        ("S1@2025-05-01T00:30Z", ("2025-05-01T00:00Z and 2025-05-01T01:00Z",)),
        ("S1@2025-05-01T00:30", ("offset",)),
        ("S1@2025-05-01Tnoon", ("expected a moment", "Tnoon")),
        ("a\x1b[2J/2025-05-01", ("\\u001b",)),
        ("S1/2025-5-1", ("SITE/DAY",)),
    ],
)
def test_an_unknown_day_or_moment_is_said_in_words(made, subject, words):
    """The error says what the record holds, and nothing in it moves a cursor."""
    with pytest.raises(QueryError) as error:
        trace(made.archive, subject)
    assert all(word in str(error.value) for word in words), str(error.value)
    assert "\x1b" not in str(error.value)


@pytest.mark.parametrize("subject", ["S1/2025-05-02", "S1@2025-05-02T12:00Z"])
def test_it_is_written_as_text_json_and_picture(made, subject):
    """Every node has its box, the JSON comes back, the text keeps to its width and tells figures and lines."""
    traced = trace(made.archive, subject)
    answer = as_dict(traced)
    assert answer == json.loads(json.dumps(answer))
    text = trace_text(traced)
    assert max(map(len, text.splitlines())) <= 100
    assert "stands on stage.csv line" in text
    assert "(told elsewhere)" in text
    svg = ElementTree.fromstring(trace_svg(traced).encode())
    boxes = {group.get("data-id") for group in svg.findall("{http://www.w3.org/2000/svg}g")}
    assert {node.id for node in traced.nodes} == boxes


def test_hostile_names_come_through(tmp_path):
    """Slashes, marks of XML, quotes and letters of any script in sensors and ratings stay text and stay apart."""
    name, sensor = 'R/<1> & "川"', "a/b%2F</text>"
    root = season(tmp_path)
    take(root, logger(tmp_path / "one", sensor, 24))
    adopt(root, rating(name, "2025-01-01T00:00Z"), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    traced = trace(Archive(root), "S1/2025-05-01")
    assert {name} == {node.label for node in traced.of_kind("rating")}
    assert [f"sensor {sensor} of S1"] == [node.label for node in traced.of_kind("sensor")]
    assert any(e.relation == "stands on" and e.end.endswith("stage.csv 2-25") for e in traced.edges)
    ElementTree.fromstring(trace_svg(traced).encode())
    assert trace_forward(Archive(root), name).of_kind("record")
    sensor_id = traced.of_kind("sensor")[0].id
    assert trace_forward(Archive(root), sensor_id).of_kind("record")


def test_stage_read_with_a_map_names_the_map(tmp_path):
    """A logger's own file goes back through the intake map that read it."""
    from stillwell.pipeline.ingest import ingest

    root = season(tmp_path)
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "log.csv").write_text("when;level\n2025-05-01 00:00;1.5\n2025-05-01 01:00;1.5\n")
    text = (
        'kind = "map"\nname = "logger (invented)"\n[[files]]\nmatch = ["log*.csv"]\ndelimiter = ";"\n'
        '[[files.tables]]\ntable = "stage"\ncolumns = { "level" = "stage_m" }\nconstants = { site = "S1" }\n'
        'times.time = { columns = ["when"], format = "%Y-%m-%d %H:%M", offset = "+00:00" }\n'
    )
    (tmp_path / "map.toml").write_text(text)
    ingest(root, [folder], by="T1", now=NOW, map_path=tmp_path / "map.toml")
    adopt(root, rating("R1", "2025-01-01T00:00Z"), by="H1", now=NOW)
    derive(root, by="H1", now=NOW)
    traced = trace(Archive(root), "S1@2025-05-01T01:00Z")
    assert [e.relation for e in traced.edges if e.end.startswith("map:")] == ["read with"]
    assert "map.toml" in {node.label for node in traced.of_kind("file")}
    assert trace_forward(Archive(root), traced.of_kind("map")[0].id).of_kind("record")


def test_damage_on_the_way_is_named(made, tmp_path):
    """One changed byte in the document of the derivation, or in the sealed stage, ends the trace with its name."""
    root = shutil.copytree(made.archive.root, tmp_path / "archive")
    traced = trace(Archive(root), "S1/2025-05-02")
    file = next(n for n in traced.of_kind("file") if n.label == "stage.csv")
    path = root / dict(file.details)["path"]
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"1.5", b"1.6", 1))
    with pytest.raises(ArchiveDamaged, match="sealed/"):
        trace(Archive(root), "S1/2025-05-02")
    path.write_bytes(whole)
    document = root / "provenance" / "00000012.prov.json"
    document.write_bytes(document.read_bytes().replace(b"adoption:R2", b"adoption:R3", 1))
    with pytest.raises(ArchiveDamaged, match=r"00000012\.prov\.json"):
        trace(Archive(root), "S1/2025-05-02")


def test_the_archive_is_sound_and_rebuilt_to_the_byte(made, tmp_path):
    """The audit finds nothing, and a rebuilding writes the same provenance."""
    assert audit(made.archive.root).faults == ()
    assert rebuild(made.archive.root, tmp_path / "again").different == ()


def test_a_record_older_than_its_telling(tmp_path, monkeypatch):
    """Where a derivation never told what it used, the trace ends in the lines of stage and says of which commit."""

    def untold(**arguments):
        return derivation_provenance(**arguments | {"records": []})

    monkeypatch.setattr(deriving, "derivation_provenance", untold)
    root = season(tmp_path, render_now=False)
    digest = take(root, logger(tmp_path / "one", "", 24), render_now=False).deposits[0].digest
    adopt(root, rating("R1", "2025-01-01T00:00Z"), by="H1", now=NOW, render_now=False)
    derive(root, by="H1", now=NOW)
    traced = trace(Archive(root), "S1/2025-05-01")
    assert traced.notes == ("commit 5 does not tell what its records rest on",)
    assert (traced.root, f"rows:{digest}/stage.csv 2-25", "stands on") in {
        (e.start, e.end, e.relation) for e in traced.edges
    }
    assert [node.label for node in traced.of_kind("file")] == ["stage.csv"]
