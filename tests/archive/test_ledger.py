"""The chain of commits: nothing can be taken out, changed or reordered unseen."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.archive.disk import layout
from stillwell.archive.ledger import chain as ledger
from stillwell.archive.ledger.chain import Ledger
from stillwell.archive.ledger.entries import Entry, Move, checked, self_checked
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import canonical_json, sha256
from stillwell.shared_types import ListedFile

START = datetime(2025, 5, 1, 8, tzinfo=UTC)


def entry(number, previous, **changes):
    """Make an entry that lists one table file."""
    made = Entry(
        number=number,
        previous=previous,
        recorded_at=START + timedelta(seconds=number),
        by="tester",
        software={"name": "stillwell", "version": "0.0"},
        reason="test",
        schema_version="1.0",
        deposits=({"deposit": f"d{number}", "outcome": "taken"},),
        files=(ListedFile(f"tables/gaugings/{number}.parquet", 10, "ab", "gaugings", ("alder",), 2),),
        counts={"new": 1},
    )
    return replace(made, **changes)


def grow(root, count, **changes):
    """Append entries, each listing a file of its own and one document that every commit lists anew."""
    chain = Ledger(root)
    for number in range(chain.head_number() + 1, chain.head_number() + count + 1):
        document = ListedFile("netcdf/alder.nc", number, f"digest {number}")
        made = entry(number, chain.head_digest())
        chain.append(replace(made, files=(*made.files, document), **changes))
        chain.write_checkpoint()
    return chain


def path(root, number):
    """Find the file of an entry."""
    return root / layout.entry_path(number)


def forge(root, number, **fields):
    """Change an entry and give it the digest that fits, as somebody would who wants it believed."""
    said = checked(path(root, number).read_bytes(), "") | fields
    path(root, number).write_bytes(self_checked(said))


def faulty(root):
    """Name the files a check of the chain finds wrong."""
    return [fault.path for fault in Ledger(root).chain_faults()]


def test_each_entry_carries_the_digest_of_the_one_before(tmp_path):
    """sha256 of the bytes of the file before, empty for the first, recomputed here from the files alone."""
    grow(tmp_path, 3)
    data = [path(tmp_path, number).read_bytes() for number in (1, 2, 3)]

    assert ["", sha256(data[0]), sha256(data[1])] == [json.loads(d)["previous"] for d in data]
    assert [canonical_json(json.loads(d)) for d in data] == data
    assert Ledger(tmp_path).chain_faults() == []


def test_an_entry_comes_back_as_it_was_written(tmp_path):
    """Every field survives the JSON."""
    whole = entry(
        1,
        "",
        replaced=("a",),
        moves=(Move("work/x", "netcdf/x", "ff", 3),),
        links=(("alder", "birch"),),
        reason="ä\n",
    )
    Ledger(tmp_path).append(whole)

    assert whole == Ledger(tmp_path).entry(1)
    assert [whole] == Ledger(tmp_path).entries()


@given(st.data())
def test_one_flipped_bit_in_an_entry_is_found(data):
    """Whichever bit it is, the entry is refused, even one that is the last of the chain."""
    written = bytearray(entry(1, "").to_json())
    bit = data.draw(st.integers(0, len(written) * 8 - 1))
    written[bit // 8] ^= 1 << bit % 8

    with pytest.raises(ArchiveDamaged):
        Entry.from_json(bytes(written), "ledger/00000001.json")


def test_a_missing_entry_is_named(tmp_path):
    """A gap stops readers and writers, and the check names the number."""
    grow(tmp_path, 4)
    path(tmp_path, 2).unlink()

    with pytest.raises(ArchiveDamaged, match=r"found no ledger/00000002\.json"):
        Ledger(tmp_path).live()
    assert faulty(tmp_path) == ["ledger/00000002.json"]


def test_a_changed_entry_breaks_the_chain_after_it(tmp_path):
    """A forged entry with a fitting digest is betrayed by the next one."""
    grow(tmp_path, 4)
    forge(tmp_path, 2, by="somebody else")

    with pytest.raises(ArchiveDamaged, match=r"00000003\.json.*the chain is broken"):
        Ledger(tmp_path).entries()
    assert faulty(tmp_path) == ["ledger/00000003.json"]


def test_swapped_entries_are_both_named(tmp_path):
    """Two files that changed places are found by their numbers."""
    grow(tmp_path, 4)
    second, third = path(tmp_path, 2).read_bytes(), path(tmp_path, 3).read_bytes()
    path(tmp_path, 2).write_bytes(third)
    path(tmp_path, 3).write_bytes(second)

    assert faulty(tmp_path) == ["ledger/00000002.json", "ledger/00000003.json"]


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"null", b"{}", b"\xff\xfe", b'{"number": 2}', b"[" * 100_000])
def test_an_unreadable_entry_is_said_in_words(tmp_path, data):
    """Truncated, empty, foreign or absurd: a sentence with the path, never a traceback of another kind."""
    grow(tmp_path, 3)
    path(tmp_path, 2).write_bytes(data)

    with pytest.raises(ArchiveDamaged, match=r"ledger/00000002\.json"):
        Ledger(tmp_path).live()
    assert faulty(tmp_path) == ["ledger/00000002.json"]


def test_an_entry_of_another_kind_is_said_in_words(tmp_path):
    """JSON with a fitting digest that is no entry."""
    grow(tmp_path, 1)
    path(tmp_path, 1).write_bytes(self_checked({"number": 1}))

    with pytest.raises(ArchiveDamaged, match="expected a ledger entry"):
        Ledger(tmp_path).live()


@pytest.mark.parametrize(
    "path_", ["../../elsewhere.txt", "/elsewhere.txt", "tables/../../elsewhere", "a\\b", "a\0b", ""]
)
@pytest.mark.parametrize("field", ["files", "replaced", "staged", "final"])
def test_an_entry_that_speaks_of_paths_outside_the_archive_is_not_believed(tmp_path, path_, field):
    """Nothing is read, moved, removed or copied where a forged entry points."""
    grow(tmp_path, 1)
    fields = {
        "files": {"files": [{"path": path_, "sha256": "ab", "size": 1}]},
        "replaced": {"replaced": [path_]},
        "staged": {"moves": [[path_, "README.txt", "ab", 1]]},
        "final": {"moves": [["work/staging/00000001/0000", path_, "ab", 1]]},
    }
    forge(tmp_path, 1, **fields[field])

    with pytest.raises(ArchiveDamaged, match=r"ledger/00000001\.json: expected paths within the archive"):
        Ledger(tmp_path).entry(1)


@pytest.mark.parametrize("fields", [{"files": "none"}, {"files": [1]}, {"replaced": [7]}, {"moves": [[1, 2, 3, 4]]}])
def test_an_entry_with_a_field_of_another_type_is_said_in_words(tmp_path, fields):
    """Whatever stands in it, the entry is named."""
    grow(tmp_path, 1)
    forge(tmp_path, 1, **fields)

    assert faulty(tmp_path) == ["ledger/00000001.json"]


def test_a_number_is_given_once(tmp_path):
    """An entry that is there is never replaced, and one that does not follow is refused."""
    chain = grow(tmp_path, 2)
    late = Ledger(tmp_path)
    late.live()
    grow(tmp_path, 1)
    before = path(tmp_path, 3).read_bytes()

    with pytest.raises(FileExistsError):
        late.append(entry(3, late.head_digest()))
    with pytest.raises(ArchiveDamaged, match="nothing was written"):
        chain.append(entry(5, chain.head_digest()))
    with pytest.raises(ArchiveDamaged, match="nothing was written"):
        chain.append(entry(3, "0" * 64))

    assert before == path(tmp_path, 3).read_bytes()


def test_a_later_listing_of_a_path_replaces_the_earlier(tmp_path):
    """A document listed again is live once, as last listed; replaced files are live no more."""
    chain = grow(tmp_path, 3)
    chain.append(entry(4, chain.head_digest(), replaced=("tables/gaugings/1.parquet",), files=()))

    live = Ledger(tmp_path).live()

    assert live["netcdf/alder.nc"].sha256 == "digest 3"
    assert sorted(live) == ["netcdf/alder.nc", "tables/gaugings/2.parquet", "tables/gaugings/3.parquet"]
    assert {"d1", "d2", "d3", "d4"} == Ledger(tmp_path).deposit_digests()
    assert live == chain.live()


@pytest.fixture
def often(monkeypatch):
    """Make checkpoints every third commit."""
    monkeypatch.setattr(ledger, "CHECKPOINT_EVERY", 3)


@pytest.mark.usefixtures("often")
def test_a_checkpoint_says_what_a_replay_says(tmp_path):
    """The listing from checkpoint and later entries equals the one from all entries."""
    note = {"deposit": "d" * 64, "name": "d", "kind": "csv"}
    grow(tmp_path, 4, links=(("alder", "birch"),), deposits=(note,))
    grow(tmp_path, 4, deposits=(note | {"deposit": "e" * 64},))
    with_checkpoint = Ledger(tmp_path)
    names = sorted(p.name for p in (tmp_path / "ledger" / "checkpoints").iterdir())
    found = (
        with_checkpoint.live(),
        with_checkpoint.deposit_digests(),
        with_checkpoint.linked_sites(["birch"]),
    )
    for name in names:
        (tmp_path / "ledger" / "checkpoints" / name).unlink()
    replayed = Ledger(tmp_path)

    assert names == [f"0000000{number}{part}.json" for number in (3, 6) for part in (".grown", ".inputs", "")]
    assert {"d" * 64, "e" * 64} == replayed.deposit_digests()
    assert (replayed.live(), replayed.deposit_digests(), {"alder", "birch"}) == found


@pytest.mark.usefixtures("often")
@pytest.mark.parametrize(("gone", "after"), [([], [10, 11]), ([9], [7, 8, 9, 10, 11]), ([3, 6, 9], list(range(1, 12)))])
def test_readers_start_at_the_newest_checkpoint(tmp_path, monkeypatch, gone, after):
    """Only the entries after it are read, so that a listing does not grow slower with the years."""
    grow(tmp_path, 11)
    for number in gone:
        (tmp_path / layout.checkpoint_path(number)).unlink()
    read = []
    real = Ledger._follow
    monkeypatch.setattr(Ledger, "_follow", lambda self, s, number: (read.append(number), real(self, s, number))[1])

    Ledger(tmp_path).live()

    assert read == after


@pytest.mark.usefixtures("often")
@pytest.mark.parametrize("data", [b"", b"{}", self_checked({"number": 3}), None])
def test_a_bad_checkpoint_is_not_believed_and_is_named(tmp_path, data):
    """Readers go back to the one before; the check names the file, also one forged to fit its entry."""
    grow(tmp_path, 7)
    truth = dict(Ledger(tmp_path).live())
    file = tmp_path / layout.checkpoint_path(6)
    if data is None:
        said = checked(file.read_bytes(), "")
        said["files"][0][1] += 1
        file.write_bytes(self_checked(said))
    else:
        file.write_bytes(data)
        assert truth == Ledger(tmp_path).live()

    assert faulty(tmp_path) == ["ledger/checkpoints/00000006.json"]


@pytest.mark.usefixtures("often")
@pytest.mark.parametrize("length", [6, 7])
@pytest.mark.parametrize("change", [{"entry_sha256": "0" * 64}, {"number": 2}])
def test_a_checkpoint_of_another_entry_is_not_believed_and_is_named(tmp_path, change, length):
    """Whole in itself but made for another entry: readers do without it, the check names it, also where it is old."""
    grow(tmp_path, length)
    truth = dict(Ledger(tmp_path).live())
    for number in (3, 6):
        file = tmp_path / layout.checkpoint_path(number)
        said = checked(file.read_bytes(), "")
        said["files"][0][1] += 1
        file.write_bytes(self_checked(said | change))
    assert truth == Ledger(tmp_path).live()
    assert faulty(tmp_path) == ["ledger/checkpoints/00000003.json", "ledger/checkpoints/00000006.json"]


@pytest.mark.usefixtures("often")
@pytest.mark.parametrize("data", [b"", b"{}", None])
def test_a_bad_second_part_is_not_believed_and_is_named(tmp_path, data):
    """Without it, or with another in its place, the deposits and documents are found from the entries."""
    note = {"deposit": "d" * 64, "name": "d", "kind": "csv"}
    grow(tmp_path, 7, deposits=(note,))
    truth = dict(Ledger(tmp_path).live())
    file = tmp_path / layout.part_path(6, "grown")
    file.unlink() if data is None else file.write_bytes(data)
    assert truth == Ledger(tmp_path).live()
    assert Ledger(tmp_path).has_deposit("d" * 64)
    assert faulty(tmp_path) == ["ledger/checkpoints/00000006.grown.json"]


@pytest.mark.parametrize("head", [1, 2, 3, 7, 8, 9, 20, 33])
def test_the_newest_entry_is_found_by_halving(tmp_path, head):
    """A reader finds what a look at every name finds; a hole anywhere near the end is noticed."""
    grow(tmp_path, head)
    assert Ledger(tmp_path).head_number() == Ledger(tmp_path, thorough=True).head_number() == head
    if head > 2:
        path(tmp_path, head - 1).unlink()
        with pytest.raises(ArchiveDamaged, match=f"{head - 1:08d}"):
            Ledger(tmp_path).live()


@pytest.mark.usefixtures("often")
def test_entries_cut_off_after_a_checkpoint_are_missed(tmp_path):
    """A checkpoint of an entry that is gone betrays that the end of the ledger was cut."""
    grow(tmp_path, 3)
    path(tmp_path, 3).unlink()

    with pytest.raises(ArchiveDamaged, match=r"found no ledger/00000003\.json"):
        Ledger(tmp_path).live()
    assert faulty(tmp_path) == ["ledger/00000003.json"]


def test_sites_that_share_a_gauging_are_found_over_several_steps(tmp_path):
    """A corrected to B and B to C belong together; D does not."""
    chain = Ledger(tmp_path)
    chain.append(entry(1, "", links=(("a", "b"), ("b", "c"), ("d", "e"))))

    assert {"a", "b", "c"} == Ledger(tmp_path).linked_sites(["c"])
    assert {"x"} == chain.linked_sites(["x"])


def test_a_new_ledger_is_empty(tmp_path):
    """No entry, no file, no head, nothing wrong."""
    chain = Ledger(tmp_path)

    assert (
        chain.head_number(),
        chain.live(),
        chain.head(),
        chain.head_digest(),
        chain.entries(),
    ) == (0, {}, None, "", [])
    assert chain.chain_faults() == []


def _all_of(chain):
    """Say all that readers ask of a ledger."""
    return chain.live(), chain.inputs(), chain.links(), chain.deposit_digests(), chain.head(), chain.head_digest()


@pytest.mark.parametrize(("before", "since"), [(1, 0), (3, 2), (99, 3), (101, 1)])
@pytest.mark.parametrize("looked", [False, True])
def test_a_ledger_that_takes_over_an_earlier_look_says_what_the_files_say(before, since, looked, tmp_path):
    """With and without commits since, across a checkpoint; the earlier look itself stays as it was."""
    grow(tmp_path, before)
    earlier = Ledger(tmp_path)
    earlier.live_tables()
    if looked:
        _all_of(earlier)
    grow(tmp_path, since)
    taken_over = Ledger(tmp_path, earlier=earlier)
    assert _all_of(taken_over) == _all_of(Ledger(tmp_path))
    taken_over.append(entry(before + since + 1, taken_over.head_digest()))
    assert _all_of(taken_over) == _all_of(Ledger(tmp_path))
    assert _all_of(earlier) == _all_of(Ledger(tmp_path, number=before))


def test_a_ledger_takes_over_nothing_of_another_one_or_of_a_longer_one(tmp_path):
    """A look at other entries, or at more than there are, is not believed: the files are read."""
    grow(tmp_path / "one", 3)
    grow(tmp_path / "other", 3, by="another")
    for earlier in (Ledger(tmp_path / "other"), Ledger(tmp_path / "one")):
        _all_of(earlier)
        path(tmp_path / "one", 3).unlink(missing_ok=True)
        found = Ledger(tmp_path / "one", earlier=earlier)
        assert found.head_number() == 2
        assert _all_of(found) == _all_of(Ledger(tmp_path / "one"))
