"""Provenance of stage, ratings and records: PROV-JSON that an independent library reads, one entity per deposit."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pandas as pd
from prov.model import ProvDocument

from stillwell.archive.provenance.derived import derivation_provenance
from stillwell.archive.provenance.document import commit_provenance
from stillwell.archive.provenance.sources import Extent, Sources
from stillwell.fingerprint import canonical_json

A, B = "a" * 64, "b" * 64
HOURS = pd.date_range("2025-05-01T00:00Z", periods=6, freq="1h").as_unit("us")
MOMENT = datetime(2026, 1, 1, tzinfo=UTC)


def _told(tables):
    data = commit_provenance(
        number=4,
        recorded_at=MOMENT,
        by="T1",
        software_version="0.1.0",
        policy_digest="c" * 64,
        intake_map="",
        deposits=[],
        gaugings=pd.DataFrame(columns=["gauging_id", "revision", "status", "revision_reason", "deposit"]),
        tables=tables,
    )
    said = json.loads(data)
    assert canonical_json(said) == data
    document = ProvDocument.deserialize(content=data.decode(), format="json")
    assert document == ProvDocument.deserialize(content=document.serialize(format="json"), format="json")
    handed_in = [d for d in said["wasDerivedFrom"].values() if d["prov:usedEntity"].startswith("deposit:")]
    lines = {d["prov:generatedEntity"]: (d["prov:usedEntity"], d["said:row"]) for d in handed_in}
    return said, lines


def test_stage_is_told_once_per_site_sensor_and_deposit(rows):
    """Six values from two deposits and two sensors are three entities, with span, count and runs of lines by hand."""
    stage = rows(
        "stage",
        6,
        sensor=[None, None, "b", "b", "b", None],
        time=HOURS,
        deposit=[A, A, A, B, B, A],
        row_file="log.csv",
        row_line=[2, 3, 4, 2, 3, 9],
    )
    said, lines = _told({"stage": stage})
    expected = {
        f"series:alder//{A[:16]}": (f"deposit:{A}", ["log.csv 2-3,9"]),
        f"series:alder/b/{A[:16]}": (f"deposit:{A}", ["log.csv 4"]),
        f"series:alder/b/{B[:16]}": (f"deposit:{B}", ["log.csv 2-3"]),
    }
    assert expected == lines
    about = said["entity"][f"series:alder//{A[:16]}"]
    assert about["prov:label"] == "3 values of stage of alder, 2025-05-01T00:00Z to 2025-05-01T05:00Z"
    assert about["said:to"] == "2025-05-01T05:00:00.000000Z"
    assert said["entity"][f"series:alder/b/{A[:16]}"]["prov:label"] == (
        "1 value of stage of alder, sensor b, 2025-05-01T02:00Z"
    )


def test_a_million_values_are_one_entity_and_one_range(rows):
    """However many values a logger's file holds, the document does not grow."""
    one = rows("stage", 1, sensor=None, deposit=A, row_file="log.csv")
    n = 300_000
    times = pd.date_range("1990-01-01T00:00Z", periods=n, freq="15min").as_unit("us")
    many = one.loc[one.index.repeat(n)].reset_index(drop=True)
    many = many.assign(time=times, row_line=pd.array(np.arange(2, n + 2), dtype="Int64"))
    said, lines = _told({"stage": many})
    assert {f"series:alder//{A[:16]}": (f"deposit:{A}", [f"log.csv 2-{n + 1}"])} == lines
    assert len(json.dumps(said)) < 5000


def test_a_rating_is_adopted_by_its_row_and_segments(rows):
    """A rating with two segments is one entity, a state of the rating; new segments alone are another state of it."""
    ratings = rows("ratings", 1, rating="R 1", deposit=A, row_file="ratings.csv", row_line=[2], by="H1", reason="why")
    ratings = ratings.assign(gaugings="alder.20250501T080000Z.M 1/2; alder.20250601T080000Z/1")
    segments = rows("rating_segments", 3, rating="R 1", segment=[1, 2, 1], deposit=[A, A, B], row_line=[2, 3, 7])
    said, lines = _told({"ratings": ratings, "rating_segments": segments.assign(row_file="rating_segments.csv")})
    fitted = [d for d in said["wasDerivedFrom"].values() if d["prov:usedEntity"].startswith("gauging:")]
    assert [d["prov:usedEntity"] for d in fitted] == [
        "gauging:alder.20250501T080000Z.M%201/2",
        "gauging:alder.20250601T080000Z/1",
    ]
    assert {d["prov:generatedEntity"] for d in fitted} == {f"adoption:R%201/{A[:16]}"}
    first, second = (f"adoption:R%201/{digest[:16]}" for digest in (A, B))
    assert lines[first] == (f"deposit:{A}", ["ratings.csv 2", "rating_segments.csv 2-3"])
    assert lines[second] == (f"deposit:{B}", ["rating_segments.csv 7"])
    states = {(one["prov:specificEntity"], one["prov:generalEntity"]) for one in said["specializationOf"].values()}
    assert {(first, "rating:R%201"), (second, "rating:R%201")} == states
    assert said["entity"][first]["prov:label"] == "R 1 of alder, valid from 2025-05-01T08:00Z, adopted by H1"
    assert said["entity"][second]["prov:label"] == "segments of R 1"
    assert said["entity"]["rating:R%201"] == {"prov:label": "R 1"}


def test_spans_shifts_and_conditions(rows):
    """A correction's span runs from its first start to its last end; a shift's from its first moment to its last."""
    starts = {"from": HOURS[:2], "to": HOURS[3:5], "deposit": A}
    corrections = rows("corrections", 2, sensor="s", **starts)
    conditions = rows("conditions", 2, **starts)
    shifts = rows("shifts", 2, rating="R1", deposit=B, **{"from": [HOURS[2], HOURS[5]]})
    said, _ = _told({"corrections": corrections, "conditions": conditions, "shifts": shifts})
    spans = {name: (about.get("said:from"), about.get("said:to")) for name, about in said["entity"].items()}
    hours = [f"2025-05-01T0{hour}:00:00.000000Z" for hour in range(6)]
    assert spans[f"correction:alder/s/{A[:16]}"] == (hours[0], hours[4])
    assert spans[f"condition:alder/{A[:16]}"] == (hours[0], hours[4])
    assert spans[f"shift:R1/{B[:16]}"] == (hours[2], hours[5])
    assert said["entity"][f"shift:R1/{B[:16]}"]["said:rating"] == "R1"


def test_names_that_could_run_together_stay_apart(rows):
    """Site ``a`` with sensor ``b/c`` is not site ``a/b`` with sensor ``c``, nor ``a-b`` with ``c``."""
    pairs = [("a", "b/c"), ("a/b", "c"), ("a-b", "c"), ("a", "b-c"), ('"\n川', "</x>")]
    parts = [rows("stage", 1, site=site, sensor=sensor, deposit=A, row_line=[7]) for site, sensor in pairs]
    _, lines = _told({"stage": pd.concat(parts, ignore_index=True)})
    assert len(lines) == len(pairs)


def _derived(*records):
    return derivation_provenance(
        number=9, recorded_at=MOMENT, by="H 1", software_version="0.1.0", policy_digest="c" * 64, records=records
    )


def test_a_derivation_is_an_activity_per_site(rows):
    """Each site's activity used what it rests on; each table is a record it made; what is replaced is its revision."""
    extent = Extent(6, HOURS[0], HOURS[5])
    again = Extent(1, HOURS[0], HOURS[0], "record:alder/7/daily")
    alder = Sources("alder", {"daily": again, "discharge": extent}, ("series:alder//x", "site:alder"), 7200.0)
    other = Sources("b/1", {"discharge": extent}, ("site:b%2F1",), 7200.0)
    data = _derived(alder, other)
    said = json.loads(data)
    assert canonical_json(said) == data
    document = ProvDocument.deserialize(content=data.decode(), format="json")
    assert document == ProvDocument.deserialize(content=document.serialize(format="json"), format="json")
    used = {(one["prov:activity"], one["prov:entity"]) for one in said["used"].values()}
    step, next_step = "commit:9/derive/alder", "commit:9/derive/b%2F1"
    assert {(step, "series:alder//x"), (step, "site:alder"), (next_step, "site:b%2F1")} == used
    made = {(one["prov:entity"], one["prov:activity"]) for one in said["wasGeneratedBy"].values()}
    records = {("record:alder/9/daily", step), ("record:alder/9/discharge", step)}
    assert records | {("record:b%2F1/9/discharge", next_step)} == made
    (revised,) = said["wasDerivedFrom"].values()
    assert (revised["prov:generatedEntity"], revised["prov:usedEntity"]) == (
        "record:alder/9/daily",
        "record:alder/7/daily",
    )
    plans = {(one["prov:agent"], one.get("prov:plan")) for one in said["wasAssociatedWith"].values()}
    assert {("software:0.1.0", f"policy:{'c' * 64}"), ("by:H%201", None)} == plans
    assert said["activity"][step]["said:gap_bridged_s"] == 7200.0
    label = said["entity"]["record:alder/9/discharge"]["prov:label"]
    assert label == "discharge of alder, 2025-05-01T00:00Z to 2025-05-01T05:00Z, 6 rows"
