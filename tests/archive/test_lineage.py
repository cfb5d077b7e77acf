"""Between kin only: a damaged copy is told from a stranger, and nothing intact is replaced. Rows are invented."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.care.fixity import file_faults, ledger_faults, sealed_faults
from stillwell.archive.care.repair import plan_repair, repair
from stillwell.archive.care.replica import replicate
from stillwell.archive.care.witness import append_witness, read_witness, witness
from stillwell.archive.disk import fs
from stillwell.archive.disk.layout import entry_path
from stillwell.archive.ledger.checkpoints import State
from stillwell.archive.ledger.clock import RightClock
from stillwell.archive.ledger.entries import Entry
from stillwell.archive.sealed import Sealed, object_folder
from stillwell.errors import ArchiveDamaged, ArchiveError
from stillwell.fingerprint import sha256
from tests.archive.deaths import Death, dying_at

NOW = datetime(2025, 6, 1, tzinfo=UTC)


@pytest.fixture
def make(tmp_path, write, rows, deposit):
    """Return a maker of archives by name, with so many commits; each commit replaces the README."""

    def made(name, commits):
        root = tmp_path / name
        for number in range(1, commits + 1):
            site = ["alder", "birch"][: 1 + number % 2]
            tables = {"gaugings": rows("gaugings", len(site), site=site)}
            write(root, deposit(f"{name} {number}\n"), tables=tables, replacing={"README.txt": f"{number}".encode()})
        return root

    return made


@pytest.fixture
def pair(make, tmp_path):
    """Make an archive of five commits and a copy of it."""
    root = make("archive", 5)
    replicate(root, [tmp_path / "copy"], NOW)
    return root, tmp_path / "copy"


def entry(root, number):
    """Name the file of an entry."""
    return root / entry_path(number)


def flip(path, at=-30):
    """Flip the lowest bit of one byte."""
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)


def forge(root, number, *, chained=None):
    """Rewrite an entry so that it holds together, and chain those after it anew up to a number, or all."""
    changed = replace(Archive(root).ledger.entry(number), by="forger").to_json()
    entry(root, number).write_bytes(changed)
    last = Archive(root).ledger.head_number() if chained is None else chained
    for later in range(number + 1, last + 1):
        changed = replace(Entry.from_json(entry(root, later).read_bytes(), ""), previous=sha256(changed)).to_json()
        entry(root, later).write_bytes(changed)


def faults(root):
    """Collect the faults of all kinds."""
    archive = Archive(root)
    return ledger_faults(archive) or [*file_faults(archive), *sealed_faults(archive)]


@pytest.mark.parametrize("commits", [2, 5, 9])
def test_a_stranger_replaces_nothing_however_many_commits_it_has(pair, make, tree, commits):
    """Neither in a sound archive nor in one whose newest or first entry is damaged or gone."""
    root, other = pair[0], make("other", commits)
    for hurt in (lambda: None, lambda: flip(entry(root, 5)), lambda: entry(root, 1).unlink()):
        hurt()
        before = tree(root)
        with pytest.raises(ArchiveError, match="another archive"):
            repair(root, other, NOW)
        with pytest.raises(ArchiveError):
            replicate(other, [root], NOW)
        assert tree(root) == before


def test_a_stranger_without_a_readable_ledger_is_left_alone(pair, make, tree):
    """Its sealed deposits tell: a copy that lost its ledger holds only those of its source."""
    root, other = pair[0], make("other", 3)
    shutil.rmtree(other / "ledger")
    before = tree(other)
    with pytest.raises(ArchiveError, match="left alone"):
        replicate(root, [other], NOW)
    with pytest.raises(ArchiveError, match="nothing was changed"):
        repair(other, root, NOW)
    assert tree(other) == before


@pytest.mark.parametrize("number", [1, 3, 5])
@pytest.mark.parametrize("how", ["flip", "flip the digest it carries", "remove", "empty", "cut"])
def test_a_damaged_or_missing_entry_of_a_copy_is_mended_by_the_next_copying(pair, tree, number, how):
    """First, middle or newest: it is no stranger, and the source is not blamed."""
    root, copy = pair
    whole, path = tree(root), entry(copy, number)
    data = path.read_bytes()
    if how == "remove":
        path.unlink()
    elif how.startswith("flip"):
        flip(path, data.index(b'"digest":"') + 15 if "digest" in how else -30)
    else:
        path.write_bytes(b"" if how == "empty" else data[:-40])
    copies = replicate(root, [copy], NOW)
    assert copies.written == {str(copy): 1}
    assert copies.short() == []
    assert tree(copy) == whole


def test_a_copy_that_lost_its_whole_ledger_is_mended_and_one_cut_short_is_finished(pair, tree):
    """What is sealed there is sealed here: it is kin."""
    root, copy = pair
    shutil.rmtree(copy / "ledger")
    replicate(root, [copy], NOW)
    assert tree(copy) == tree(root)


def test_a_first_copying_that_died_before_any_rename_is_finished_by_the_next(make, tree, tmp_path, monkeypatch):
    """Whatever lies there under a hidden name, that of the README at the top too, the folder is no stranger."""
    root, copy, true = make("archive", 1), tmp_path / "copy", fs.system.replace
    died = 0
    for count in range(200):
        left = iter(range(count))

        def dies(part, final, left=left):
            if next(left, None) is None:
                raise KeyboardInterrupt
            true(part, final)

        monkeypatch.setattr(fs.system, "replace", dies)
        try:
            replicate(root, [copy], NOW)
        except KeyboardInterrupt:
            died += 1
        monkeypatch.setattr(fs.system, "replace", true)
        assert replicate(root, [copy], NOW).short() == []
        assert tree(copy) == tree(root)
        shutil.rmtree(copy)
        if died == count:
            break
    assert 5 < died < 200


@pytest.mark.parametrize("number", [2, 5])
def test_a_folder_that_went_another_way_is_left_alone(pair, tree, number):
    """It has the same first entry and another one later; also where that one is damaged, by the digest it carries."""
    root, copy = pair
    forge(copy, number)
    before = tree(copy)
    with pytest.raises(ArchiveError, match=f"another commit {number}; left alone"):
        replicate(root, [copy], NOW)
    flip(entry(copy, 5))
    with pytest.raises(ArchiveError, match="left alone"):
        replicate(root, [copy], NOW)
    flip(entry(copy, 5))
    assert tree(copy) == before


def test_a_copy_that_is_ahead_is_left_alone_and_gives_back_what_was_cut_off(pair, tree):
    """An archive put back to an older state does not put its copy back too; a repair brings it forward."""
    root, copy = pair
    whole = tree(root)
    entry(root, 5).unlink()
    with pytest.raises(ArchiveError, match="commit 5, while this one ends with commit 4; left alone"):
        replicate(root, [copy], NOW)
    assert repair(root, copy, NOW) == ([entry_path(5)], [])
    assert tree(root) == whole


@pytest.mark.parametrize(("number", "chained"), [(2, 2), (2, 4), (4, 4)])
def test_a_rewritten_entry_that_a_later_one_contradicts_is_mended(pair, tree, number, chained):
    """The newest entry states every digest before it, so the copy's entries are the right ones."""
    root, copy = pair
    whole = tree(root)
    forge(root, number, chained=chained)
    assert faults(root)
    restored, hopeless = repair(root, copy, NOW)
    assert restored == [entry_path(n) for n in range(number, chained + 1)]
    assert (hopeless, tree(root)) == ([], whole)


@pytest.mark.parametrize("number", [2, 5])
def test_a_chain_forged_at_equal_length_is_healed_with_a_witness_and_only_then(pair, tree, tmp_path, number):
    """Both chains hold together; the earliest witness line that speaks of the difference says which was there first."""
    root, copy = pair
    whole, elsewhere = tree(root), tmp_path / "witness.txt"
    append_witness(root, [elsewhere], witness(Archive(root), NOW))
    forge(root, number)
    assert faults(root) == []
    forged = tree(root)
    with pytest.raises(ArchiveError, match=f"two that part at commit {number}.*--witness FILE"):
        repair(root, copy, NOW)
    append_witness(root, [elsewhere], witness(Archive(root), NOW.replace(month=7)))
    lines, _ = read_witness(elsewhere)
    with pytest.raises(ArchiveError, match="as it is here"):
        repair(copy, root, NOW, lines)
    early = [replace(lines[0], number=1, sha256=lines[0].first)]
    with pytest.raises(ArchiveError, match="none of the witness lines speaks of it"):
        repair(root, copy, NOW, early)
    assert (tree(root), tree(copy)) == (forged, whole)
    restored, hopeless = repair(root, copy, NOW, lines)
    assert restored == [entry_path(n) for n in range(number, 6)]
    assert (hopeless, tree(root)) == ([], whole)
    assert len(list((root / "work" / "damaged").rglob("*.json"))) == 6 - number


def test_what_was_added_to_a_forged_chain_is_put_aside_and_its_deposits_stay_sealed(
    pair, tmp_path, write, deposit, rows, clock
):
    """The archive comes back to its last honest commit; what came after can be handed in again."""
    root, copy = pair
    lines = [witness(Archive(root), NOW)]
    forge(root, 3)
    write(root, deposit("late\n"), tables={"gaugings": rows("gaugings", site="cedar")}, now=RightClock(clock))
    _, hopeless = repair(root, copy, NOW, lines)
    assert hopeless == []
    assert Archive(root).ledger.digests() == Archive(copy).ledger.digests()
    assert faults(root) == []
    assert deposit("late\n").digest in Archive(root).sealed.digests()


def test_without_a_witness_the_first_entry_decides_who_one_is(pair, make):
    """A witness of another archive gives that archive no right to this one's place."""
    root, other = pair[0], make("other", 7)
    with pytest.raises(ArchiveError, match="another archive"):
        repair(root, other, NOW, [witness(Archive(other), NOW)])


def test_an_entry_that_neither_holds_stops_the_repair(pair, tree):
    """Nothing is made up, and nothing else is touched."""
    root, copy = pair
    for folder in pair:
        flip(entry(folder, 3))
    before = tree(root)
    with pytest.raises(ArchiveDamaged, match=entry_path(3)):
        repair(root, copy, NOW)
    assert tree(root) == before


@pytest.mark.parametrize(("number", "name"), [(2, 9), (5, 6), (1, 6)])
def test_an_entry_that_was_renamed_beyond_the_chain_comes_back(pair, tree, number, name):
    """What lies under the wrong number is an entry of the chain, so it is no newer one, and goes aside."""
    root, copy = pair
    entry(root, number).rename(entry(root, name))
    restored, hopeless = repair(root, copy, NOW)
    assert (restored, hopeless) == ([entry_path(number)], [])
    assert tree(root) == tree(copy)
    assert faults(root) == []


@pytest.mark.parametrize("name", ["ledger", "tables", "sealed"])
def test_a_folder_that_is_a_link_elsewhere_is_a_folder_of_the_archive_again(pair, tree, tmp_path, name):
    """The bytes behind the link are right, and not the archive's; the link goes aside and the folder comes back."""
    root, copy = pair
    (root / name).rename(tmp_path / "elsewhere")
    (root / name).symlink_to(tmp_path / "elsewhere")
    repair(root, copy, NOW)
    assert not (root / name).is_symlink()
    assert tree(root) == tree(copy)
    assert faults(root) == []


def test_a_plan_names_each_file_with_both_digests_and_changes_nothing(pair, tree):
    """Damaged, missing and replaced by a link: what is found, what would be restored, and from where."""
    root, copy = pair
    tables = sorted(path for path in Archive(root).listing() if path.endswith(".parquet"))
    flip(root / tables[0])
    (root / tables[1]).unlink()
    (root / tables[2]).rename(root / "work" / "moved")
    (root / tables[2]).symlink_to(root / "work" / "moved")
    flip(entry(root, 5))
    hurt = {p: sha256((root / p).read_bytes()) for p in (entry_path(5), tables[0])}
    before = tree(root)
    plan = plan_repair(root, copy)
    assert {r.path: r.found_sha256 for r in plan.restores} == hurt | {tables[1]: None, tables[2]: None}
    assert all(r.sha256 == sha256((copy / r.path).read_bytes()) and r.source == str(copy) for r in plan.restores)
    assert tree(root) == before
    assert repair(root, copy, NOW)[0] == [r.path for r in plan.restores]
    assert faults(root) == []
    assert plan_repair(root, copy).restores == ()


def test_a_sound_file_is_not_touched_by_a_repair(pair):
    """No file that is as it should be is written again: its place on the disk stays the same."""
    root, copy = pair
    flip(root / "README.txt", 0)
    before = {p: p.stat().st_ino for p in root.rglob("*") if p.is_file() and "work" not in p.parts}
    assert repair(root, copy, NOW) == (["README.txt"], [])
    after = {p: p.stat().st_ino for p in before}
    assert {p.name for p in before if before[p] != after[p]} == {"README.txt"}


def test_a_checkpoint_of_a_forged_chain_is_made_again(make, tmp_path, monkeypatch):
    """What readers go by follows the chain that was restored."""
    for module in ("ledger.chain", "care.repair"):
        monkeypatch.setattr(f"stillwell.archive.{module}.CHECKPOINT_EVERY", 2)
    root = make("archive", 5)
    replicate(root, [tmp_path / "copy"], NOW)
    lines = [witness(Archive(root), NOW)]
    forge(root, 3)
    state = State()
    for number in range(1, 5):
        state.add(Archive(root).ledger.entry(number), entry(root, number).read_bytes())
    (root / "ledger" / "checkpoints" / "00000004.json").write_bytes(state.parts()[""])
    flip(root / "ledger" / "checkpoints" / "00000002.json")
    assert [fault.path for fault in ledger_faults(Archive(root))] == ["ledger/checkpoints/00000002.json"]
    flip(root / "ledger" / "checkpoints" / "00000002.grown.json")
    restored, _ = repair(root, tmp_path / "copy", NOW, lines)
    assert {"ledger/checkpoints/00000002.json", "ledger/checkpoints/00000004.json"} <= set(restored)
    # a first part whose other parts are not there yet would be believed
    grown = restored.index("ledger/checkpoints/00000002.grown.json")
    assert grown < restored.index("ledger/checkpoints/00000002.json")
    assert faults(root) == []
    assert json.loads((root / "ledger" / "checkpoints" / "00000004.json").read_bytes())["number"] == 4


def test_what_lies_beside_the_files_of_a_damaged_object_is_put_aside(pair, tree):
    """A stray file goes by itself, a stray folder with all it holds; what was sealed stays in its place."""
    root, copy = pair
    before = tree(root)
    digest = Sealed(root).digests()[0]
    folder = f"sealed/{object_folder(digest)}"
    strays = {"v1/content/stray.txt": b"1", "v1/more/a/b.txt": b"2", "v1/more/c.txt": b"3"}
    for path, data in strays.items():
        (root / folder / path).parent.mkdir(parents=True, exist_ok=True)
        (root / folder / path).write_bytes(data)
    assert plan_repair(root, copy).aside == (f"{folder}/v1/content/stray.txt", f"{folder}/v1/more")
    assert repair(root, copy, NOW) == ([], [])
    assert tree(root) == before
    kept = {path.read_bytes() for path in (root / "work" / "damaged").rglob("*") if path.is_file()}
    assert kept == set(strays.values())


@pytest.mark.parametrize(
    ("here", "there", "good", "written"),
    [(0, 0, [True, True], 0), (1, 0, [False, True], 0), (0, 1, [True, True], 1), (1, 1, [False, False], 0)],
)
def test_a_copying_says_of_a_deposit_where_it_is_good(pair, here, there, good, written):
    """Damaged here, there, both or neither: a sound one mends the copy, a damaged one is never copied over anything."""
    root, copy = pair
    digest = Sealed(root).digests()[0]
    place = f"sealed/{object_folder(digest)}/v1/content"
    for base, hurt in ((root, here), (copy, there)):
        if hurt:
            flip(next(path for path in (base / place).rglob("*") if path.is_file()), 0)
    copies = replicate(root, [copy], NOW)
    assert copies.good[f"deposit {digest}"] == good
    assert copies.written == {str(copy): written}
    others = [held for name, held in copies.good.items() if name != f"deposit {digest}"]
    assert len(others) > 5
    assert all(map(all, others))
    whole = {2: len(others) + (sum(good) == 2)}
    assert copies.counts() == dict(sorted((whole if sum(good) == 2 else whole | {sum(good): 1}).items()))
    assert copies.short() == ([] if all(good) else [f"deposit {digest}"])


def test_a_file_still_staged_is_not_lost(pair, write, deposit):
    """A writer that died after its entry stood left a whole file in the work folder: a repair has nothing to do."""
    root, copy = pair

    with pytest.raises(Death):
        write(root, deposit("sixth\n"), replacing={"README.txt": b"sixth"}, step=dying_at("committed"))
    assert (root / "README.txt").read_bytes() != b"sixth"
    plan = plan_repair(root, copy)
    assert (plan.restores, plan.aside, plan.hopeless) == ((), (), ())
