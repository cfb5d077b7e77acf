"""A trace out of the provenance documents: back from a gauging to bytes, forward from what it rests on."""

from __future__ import annotations

import hashlib
import json
import shutil
import zipfile

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.provenance import document
from stillwell.errors import ArchiveDamaged, QueryError
from stillwell.pipeline.audit import audit
from stillwell.reading.trace.graph import as_dict
from stillwell.reading.trace.trace import trace, trace_forward
from tests.pipeline.season import registers, season, sheets, take
from tests.prepare.test_meters import _check
from tests.reading.recorded import ID, MAPPED, OFFICE, REVIEW, recorded

OTHER = "S1.20250509T100000Z.M2"
REVIEWED = f"review:{ID}/2025-06-01T00:00:00.000000Z"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Make the archive once."""
    return recorded(tmp_path_factory.mktemp("recorded"))


def _edges(traced, **digests):
    """Write edges with the names of deposits for their digests."""
    out = set()
    for edge in traced.edges:
        start, end = edge.start, edge.end
        for name, digest in digests.items():
            start, end = start.replace(digest, name), end.replace(digest, name)
        out.add((start, end, edge.relation, edge.commit))
    return out


def _named(made):
    return {name.partition(".")[0]: digest for name, digest in made.digests.items()} | {"shipped": made.shipped}


def _stands(deposit, file, lines):
    return {
        (f"rows:{deposit}/{file} {lines}", f"deposit:{deposit}", "lines of", 0),
        (f"rows:{deposit}/{file} {lines}", f"file:{deposit}/{file}", "stand in", 0),
    }


def test_a_gauging_goes_back_to_bytes(made):
    """The whole graph of a gauging with a check, another policy and a review, written by hand."""
    one, two = f"revision:{ID}/1", f"revision:{ID}/2"
    expected = {
        (f"gauging:{ID}", one, "is", 3),
        (f"gauging:{ID}", two, "is", 4),
        (f"gauging:{ID}", REVIEWED, "decided on by", 6),
        (two, one, "revises", 4),
        (one, "rows:sheet/gauge_heights.csv 2-3", "gauge read on", 3),
        (one, "policy:shipped", "judged under", 3),
        (two, "policy:office", "judged under", 4),
        ("policy:office", "rows:office/office.toml 1", "stands on", 4),
        (REVIEWED, "rows:review/reviews.csv 2", "stands on", 6),
        (REVIEWED, "commit:6", "recorded in", 6),
        ("check:C1", "instrument:M1", "check of", 2),
        ("check:C1", "rows:check/checks.csv 2-7", "stands on", 2),
        ("check:C1", "commit:2", "recorded in", 2),
        ("instrument:M1", "rows:registers/instruments.csv 2", "stands on", 1),
        ("instrument:M1", "commit:1", "recorded in", 1),
        ("site:S1", "rows:registers/sites.csv 2", "stands on", 1),
        ("site:S1", "commit:1", "recorded in", 1),
    }
    for revision, number in ((one, 3), (two, 4)):
        expected |= {
            (revision, f"commit:{number}", "recorded in", number),
            (revision, "software:0.1.0", "computed by", number),
            (revision, "instrument:M1", "measured with", number),
            (revision, "site:S1", "made at", number),
            (revision, "check:C1", "meter last checked by", number),
            (revision, "rows:sheet/gaugings.csv 2", "stands on", number),
            (revision, "rows:sheet/points.csv 2-8", "points stand on", number),
        }
    for name, number in (("registers", 1), ("check", 2), ("sheet", 3), ("office", 4), ("review", 6)):
        expected.add((f"deposit:{name}", f"commit:{number}", "recorded in", number))
    for place in (
        ("sheet", "gaugings.csv", "2"), ("sheet", "points.csv", "2-8"), ("sheet", "gauge_heights.csv", "2-3"),
        ("check", "checks.csv", "2-7"), ("office", "office.toml", "1"), ("review", "reviews.csv", "2"),
        ("registers", "instruments.csv", "2"), ("registers", "sites.csv", "2"),
    ):  # fmt: skip
        expected |= _stands(*place)
    traced = trace(made.archive, ID)
    assert expected == _edges(traced, **_named(made))
    assert dict(traced.by_id()[REVIEWED].details) == {"reason": "looked at", "changed the status of": "revision 2"}


def test_the_ends_are_the_sealed_bytes(made):
    """Each file named is in the archive, with the sha512 and size told, and the lines hold what the number rests on."""
    traced = trace(made.archive, ID)
    assert traced.of_kind("file")
    for node in traced.of_kind("file"):
        details = dict(node.details)
        data = (made.archive.root / details["path"]).read_bytes()
        assert details["sha512"] == hashlib.sha512(data).hexdigest()
        assert details["bytes"] == str(len(data))
    points = next(node for node in traced.of_kind("rows") if node.label == "points.csv lines 2-8")
    edge = next(e for e in traced.edges if e.start == points.id and e.relation == "stand in")
    data = (made.archive.root / dict(traced.by_id()[edge.end].details)["path"]).read_text()
    assert all(line.startswith("7,") for line in data.splitlines()[1:8])
    assert len(data.splitlines()) == 8


def test_what_a_map_read_names_the_map(made):
    """A gauging out of a foreign list rests on the lines of the list and on the map, which ends in its own bytes."""
    expected = {
        (f"revision:{MAPPED}/1", "map:map", "read with", 5),
        ("map:map", "deposit:map", "sealed as", 5),
        ("deposit:map", "file:map/map.toml", "holds", 0),
        (f"revision:{MAPPED}/1", "rows:list/list_a.csv 2", "stands on", 5),
        (f"revision:{MAPPED}/1", "rows:list/list_a.csv 2-8", "points stand on", 5),
    }
    traced = _edges(trace(made.archive, MAPPED), **_named(made))
    assert expected <= traced
    assert not any(end.startswith("instrument:") for _, end, _, _ in traced)


def test_one_revision_alone(made):
    """The first revision rests on nothing that came after it, but for the decision on its status."""
    traced = trace(made.archive, f"{ID}/1")
    assert traced.root == f"revision:{ID}/1"
    assert f"policy:{made.shipped}" in traced.by_id()
    assert {f"revision:{ID}/2", f"policy:{made.digests['office.toml']}"}.isdisjoint(traced.by_id())


@pytest.mark.parametrize(
    ("subject", "gaugings", "commits"),
    [
        ("M1", {ID}, {2, 3, 4}),
        ("M2", {OTHER}, {7}),
        ("S1", {ID, OTHER}, {3, 4, 7}),
        ("S2", {MAPPED}, {5}),
        ("C1", {ID}, {3, 4}),
        ("software:0.1.0", {ID, OTHER, MAPPED}, {1, 2, 3, 4, 5, 6, 7}),
        ("check", {ID}, {2, 3, 4}),
        ("sheet", {ID}, {3, 4}),
        ("office.toml", {ID, OTHER, MAPPED}, {4, 5, 6, 7}),
        ("map.toml", {MAPPED}, {5}),
        ("shipped", {ID}, {1, 2, 3, 4}),
        ("review", {ID}, {6}),
    ],
)
def test_forward(made, subject, gaugings, commits):
    """From each kind of subject to the gaugings and commits that rest on it, written by hand."""
    subject = (made.digests | {"shipped": made.shipped}).get(subject, subject)
    traced = trace_forward(made.archive, subject[:10] if len(subject) == 64 else subject)
    assert gaugings == {node.label for node in traced.of_kind("gauging")}
    assert commits == {int(node.label.split()[1]) for node in traced.of_kind("commit")}


def test_forward_and_back_agree(made):
    """A gauging rests on a deposit exactly when the deposit is in its trace back."""
    forward = {
        digest: {n.label for n in trace_forward(made.archive, f"deposit:{digest}").of_kind("gauging")}
        for digest in made.digests.values()
    }
    for gauging in (ID, MAPPED, OTHER):
        back = {dict(n.details)["sha256"] for n in trace(made.archive, gauging).of_kind("deposit")}
        assert back == {digest for digest, on_it in forward.items() if gauging in on_it}


def test_what_an_unfit_check_says_of_gaugings_taken_before_rests_on_it(tmp_path):
    """A finding made by a later check is reached from the check and from its deposit; the gauging is not."""
    root = season(tmp_path)
    taken = take(root, _check(tmp_path / "c", "C2", 3, snr=2.0))
    for subject in ("C2", taken.deposits[0].digest):
        traced = trace_forward(Archive(root), subject)
        assert {f"meter-unfit: S1.2025050{i}T100000Z.M1 revision 1" for i in (1, 2)} == {
            node.label for node in traced.of_kind("finding")
        }
        assert traced.of_kind("gauging") == ()
    assert any("meter-unfit" in n.id for n in trace_forward(Archive(root), "M1").of_kind("finding"))


def test_a_register_described_again_reaches_only_what_came_after_it(made, tmp_path):
    """What was computed before a meter was described again does not rest on the later description."""
    root = season(tmp_path)
    again = tmp_path / "again"
    again.mkdir()
    (again / "instruments.csv").write_text("instrument,kind,axes\nM1,acoustic point,2\n")
    later = take(root, again).deposits[0].digest
    take(root, sheets(tmp_path / "more", "5"))
    on_it = {n.label for n in trace_forward(Archive(root), later).of_kind("gauging")}
    assert {"S1.20250505T100000Z.M1"} == on_it
    before = trace(Archive(root), "S1.20250501T100000Z.M1")
    assert f"deposit:{later}" not in before.by_id()


def test_an_archive_with_these_documents_is_sound(made):
    """The audit takes every commit again and finds nothing."""
    assert audit(made.archive.root).faults == ()


def test_the_order_is_always_the_same(made):
    """Two traces of one subject are equal, and go to JSON and back."""
    one, two = trace(made.archive, ID), trace(made.archive, ID)
    assert one == two
    answer = as_dict(one)
    assert answer == json.loads(json.dumps(answer))
    assert (answer["direction"], answer["root"]) == ("back", f"gauging:{ID}")


@pytest.mark.parametrize(
    ("call", "subject", "words"),
    [
        (trace, "S1.20250507T100000Z.M3", ("archive id", ID, "trace forward")),
        (trace, "M1", ("instrument", "trace forward")),
        (trace_forward, ID, ("is a gauging", "trace it back")),
        (trace_forward, "M11", ("instrument M1", "software version")),
        (trace_forward, "0123", ("8 characters",)),
        (trace_forward, "", ("an instrument",)),
        (trace_forward, "a\x1b[2Jb", ("\\u001b",)),
    ],
)
def test_an_unknown_subject_is_said_in_words(made, call, subject, words):
    """The error says what there is to trace from and what is written alike; nothing in it moves a cursor."""
    with pytest.raises(QueryError) as error:
        call(made.archive, subject)
    assert all(word in str(error.value) for word in words), str(error.value)
    assert "\x1b" not in str(error.value)


def test_a_code_of_two_kinds_must_say_which(tmp_path):
    """A site and a meter of one code are told apart by their kind."""
    folder = tmp_path / "registers"
    folder.mkdir()
    (folder / "sites.csv").write_text("site,name,latitude,longitude,utc_offset\nA,Invented,1,2,+00:00\n")
    (folder / "instruments.csv").write_text("instrument,kind\nA,acoustic point\n")
    root = tmp_path / "archive"
    take(root, folder)
    take(root, sheets(tmp_path / "s", "1", site="A", instrument="A"))
    with pytest.raises(QueryError, match=r"found 2 called 'A'.*site:A"):
        trace_forward(Archive(root), "A")
    assert trace_forward(Archive(root), "site:A").root == "site:A"
    assert trace_forward(Archive(root), "instrument:A").of_kind("gauging")


@pytest.mark.parametrize("call", [lambda a: trace(a, ID), lambda a: trace_forward(a, "M1")])
def test_a_damaged_document_is_named(made, tmp_path, call):
    """One flipped bit in a provenance document, or a missing one, is named, whatever is traced."""
    archive = Archive(shutil.copytree(made.archive.root, tmp_path / "archive"))
    path = archive.root / "provenance" / "00000003.prov.json"
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"said:site", b"said:sitf", 1))
    with pytest.raises(ArchiveDamaged, match=r"provenance/00000003\.prov\.json"):
        call(archive)
    path.unlink()
    with pytest.raises(ArchiveDamaged, match=r"provenance/00000003\.prov\.json"):
        call(archive)


def test_damaged_bytes_are_named(made, tmp_path):
    """A trace that would end in bytes that are not as sealed ends in an error that names them."""
    archive = Archive(shutil.copytree(made.archive.root, tmp_path / "archive"))
    file = next(n for n in trace(archive, ID).of_kind("file") if n.label == "points.csv")
    path = archive.root / dict(file.details)["path"]
    path.write_bytes(path.read_bytes().replace(b"0.4", b"0.5", 1))
    with pytest.raises(ArchiveDamaged, match="sealed/"):
        trace(archive, ID)


def test_lines_in_a_zip_end_in_the_zip(tmp_path):
    """What was handed in as a zip stands on lines of the file in it, and ends in the sealed zip."""
    root = season(tmp_path)
    folder, path = sheets(tmp_path / "more", "5"), tmp_path / "more.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for file in sorted(folder.iterdir()):
            packed.write(file, file.name)
    digest = take(root, path).deposits[0].digest
    traced = trace(Archive(root), "S1.20250505T100000Z.M1")
    ends = {edge.end for edge in traced.edges if edge.start == f"rows:{digest}/points.csv 2-8"}
    assert {f"deposit:{digest}", f"file:{digest}/more.zip"} == ends
    zipped = traced.by_id()[f"file:{digest}/more.zip"]
    assert dict(zipped.details)["sha512"] == hashlib.sha512(path.read_bytes()).hexdigest()


def test_a_policy_and_a_review_in_one_commit(tmp_path):
    """The revision the policy makes is told as made; that before it is decided on, not made twice."""
    root = season(tmp_path, "1", render_now=False)
    half = sheets(tmp_path / "half", "7")
    (half / "points.csv").write_text((half / "points.csv").read_text().replace("open,0.6", "open,0.5"))
    take(root, half, render_now=False)
    (tmp_path / "policy.toml").write_text(OFFICE)
    (tmp_path / "review").mkdir()
    (tmp_path / "review" / "reviews.csv").write_text(REVIEW.replace("approved", "withdrawn"))
    take(root, tmp_path / "policy.toml", tmp_path / "review")
    traced = trace(Archive(root), ID)
    made = {(e.start[-1], e.commit) for e in traced.edges if e.relation == "computed by"}
    assert {("1", 3), ("2", 4)} == made
    assert {("1", 4), ("2", 4)} == {(e.start[-1], e.commit) for e in traced.edges if e.relation == "status by"}
    assert dict(traced.by_id()[REVIEWED].details)["changed the status of"] == "revision 1, revision 2"


def test_an_archive_older_than_its_telling(tmp_path, monkeypatch):
    """Where site, meter and lines were never told, the trace ends in every file of the deposit and says so."""
    monkeypatch.setattr(document, "GAUGING_LINKS", {})
    monkeypatch.setattr(document, "places", lambda rows, key: {})
    monkeypatch.setattr(document, "_sources_of", _only_the_deposit)
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"))
    take(root, sheets(tmp_path / "first", "1"))
    traced = trace(Archive(root), "S1.20250501T100000Z.M1")
    assert traced.notes == ("commit 2 does not tell the site, meter or lines of what it made",)
    assert {"gaugings.csv", "points.csv", "gauge_heights.csv"} == {node.label for node in traced.of_kind("file")}
    assert traced.of_kind("rows") == ()


def _only_the_deposit(rows, which, tables):
    return [f'"prov:usedEntity":"deposit:{deposit}"' for deposit in rows["deposit"]]
