"""Sealed bytes: an OCFL storage root, judged by an independent validator."""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import UTC, datetime

import ocfl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stillwell.archive.sealed import Sealed, object_files, object_folder
from stillwell.errors import ArchiveDamaged
from stillwell.fingerprint import folder_digest
from stillwell.shared_types import Deposit, DepositFile

WHEN = datetime(2025, 5, 1, 8, tzinfo=UTC)
ODD = {
    "plain.csv": b"a,b\n",
    "twin.csv": b"a,b\n",
    "Plain.csv": b"other",
    "leer zeichen & Umlaut ä/ρεύμα.csv": b"\xff\xfe",
    "con:trol*?<>|\\name\n.csv": b"",
    "empty too.txt": b"",
    ".hidden": b"h",
    "ends with dot.": b"e",
    "long/" + "n" * 255: b"l",
}


@pytest.fixture
def sealed(tmp_path, deposit):
    """Seal three invented deposits: a csv, a folder with odd names, an empty folder."""
    store = Sealed(tmp_path)
    deposits = [deposit("site,depth_m\nalder,0.5\n"), deposit(ODD, "odd names"), deposit({}, "nothing")]
    store.seal(deposits, WHEN, "tester", tmp_path / "work")
    return store, deposits


def test_names_that_differ_by_case_only_are_two_files_on_any_disk(tmp_path, deposit):
    """On a disk that does not tell cases apart no sealed file lies over another, and each keeps its name and bytes."""
    files = {"Points.csv": b"1", "points.csv": b"2", "POINTS.CSV": b"3", "a/Points.csv": b"4", "A/points.csv": b"5"}
    handed_in = deposit(files, "cases")
    paths = [path for path, _ in object_files(handed_in, WHEN, "tester") if path.startswith("v1/content/")]
    assert len(paths) == 5
    assert len({path.casefold() for path in paths}) == 5
    store = Sealed(tmp_path)
    store.seal([handed_in], WHEN, "tester", tmp_path / "work")
    assert {file.path: file.data for file in store.read(handed_in.digest).files} == files


def verdict(store):
    """Ask the independent validator: whether the root is valid, objects, good ones, what it says."""
    root = ocfl.StorageRoot(root=str(store.folder))
    valid = root.validate(log_warnings=True, log_errors=True)
    return valid, root.num_objects, root.good_objects, [message for _, message in root.errors]


def test_an_independent_validator_finds_the_store_valid(sealed):
    """ocfl-py accepts the root and every object; people are codes, so it misses only an address (W008)."""
    store, _ = sealed

    valid, count, good, said = verdict(store)

    assert (valid, count, good) == (True, 3, 3)
    assert all("E0" not in message and message.count("[W") == message.count("[W008]") for message in said)


def test_objects_lie_where_the_layout_extension_says(sealed):
    """Every object is where ocfl-py's own layout code expects its identifier."""
    store, deposits = sealed
    root = ocfl.StorageRoot(root=str(store.folder))
    root.open_root_fs()
    root.check_root_structure()

    assert root.layout_name == "0003-hash-and-id-n-tuple-storage-layout"
    for d in deposits:
        assert root.object_path(f"deposit:{d.digest}") == object_folder(d.digest)


def test_one_flipped_byte_is_found_by_the_validator_and_by_us(sealed):
    """A byte of sealed content is changed: INVALID there, and a fault here that names the file."""
    store, (first, *_) = sealed
    content = store.folder / object_folder(first.digest) / "v1" / "content" / "season.csv"
    data = bytearray(content.read_bytes())
    data[3] ^= 1
    content.write_bytes(data)

    assert verdict(store)[1:3] == (3, 2)
    assert [content.relative_to(store.root).as_posix()] == [fault.path for fault in store.verify()]
    with pytest.raises(ArchiveDamaged, match="not as sealed"):
        store.read(first.digest)


def test_any_flipped_byte_anywhere_is_a_fault_that_names_the_file(sealed):
    """Declarations, layout, inventories, sidecars and content: no file of the store is outside the check."""
    store, _ = sealed
    for file in sorted(p for p in store.folder.rglob("*") if p.is_file()):
        data = file.read_bytes()
        flipped = bytes([*data[:-1], data[-1] ^ 1]) if data else b"x"
        file.write_bytes(flipped)
        named = {fault.path for fault in store.verify()}
        file.write_bytes(data)

        assert file.relative_to(store.root).as_posix() in named
    assert store.verify() == []


def test_what_goes_in_comes_out(sealed):
    """Name, kind, paths and bytes are recovered from the store alone."""
    store, deposits = sealed

    again = [Sealed(store.root).read(d.digest) for d in deposits]

    assert [Deposit(d.name, d.kind, d.digest, tuple(sorted(d.files, key=lambda f: f.path))) for d in deposits] == again
    assert sorted(d.digest for d in deposits) == store.digests()
    assert all(store.contains(d.digest) for d in deposits)
    assert not store.contains("0" * 64)


NAMES = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="/\0"), min_size=1, max_size=40)


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.dictionaries(NAMES.filter(lambda name: name not in (".", "..")), st.binary(max_size=5), max_size=4))
def test_any_file_name_survives(tmp_path, content):
    """Whatever a file was called, it is stored under a safe name and given back under its own."""
    shutil.rmtree(tmp_path / "sealed", ignore_errors=True)
    store = Sealed(tmp_path)
    files = tuple(DepositFile(path, data) for path, data in sorted(content.items()))
    one = Deposit("any", "folder", folder_digest(content.items()), files)
    store.seal([one], WHEN, "tester", tmp_path / "work")

    assert one == store.read(one.digest)
    assert verdict(store)[:3] == (True, 1, 1)
    assert store.verify() == []


def test_identical_bytes_are_kept_once():
    """Two files of one content share one content path; both names are in the state."""
    twins = tuple(DepositFile(path, b"same") for path in ("a", "b"))
    files = dict(object_files(Deposit("t", "folder", folder_digest([]), twins), WHEN, "tester"))
    inventory = json.loads(files["inventory.json"])

    assert list(inventory["manifest"].values()) == [["v1/content/a"]]
    assert list(inventory["versions"]["v1"]["state"].values()) == [["a", "b"]]


def test_sealing_again_changes_nothing(sealed, tree):
    """Bytes that are sealed are left alone, whoever brings them later."""
    store, deposits = sealed
    before = tree(store.root)

    store.seal(deposits, datetime(2030, 1, 1, tzinfo=UTC), "another", store.root / "work")

    assert before == tree(store.root)


def test_what_was_never_sealed_is_a_fault(sealed):
    """A stray file, inside an object or beside, a missing object and an empty folder are named."""
    store, (first, second, _) = sealed
    stray = store.folder / object_folder(first.digest) / "v1" / "content" / "stray"
    stray.write_bytes(b"")
    (store.folder / "beside").write_bytes(b"")
    (store.folder / "abc").mkdir()
    shutil.rmtree(store.folder / object_folder(second.digest))

    faults = {fault.path: fault.sentence for fault in store.verify() + store.faults(second.digest)}

    assert "never sealed" in faults[stray.relative_to(store.root).as_posix()]
    assert "file of no object" in faults["sealed/beside"]
    assert "empty folder" in faults["sealed/abc"]
    assert "found nothing" in faults[f"sealed/{object_folder(second.digest)}"]


def test_a_missing_deposit_is_said_in_words(sealed):
    """Reading what is not there names the place."""
    with pytest.raises(ArchiveDamaged, match="expected a sealed deposit"):
        sealed[0].read("0" * 64)


@pytest.mark.parametrize(("by", "named"), [("tester", "tester"), ("", "unnamed")])
def test_an_object_names_who_sealed_it(deposit, by, named):
    """OCFL 1.1 section 3.5.3.1 wants a user with a name: the one who sealed, or words where nobody is named."""
    (data,) = (data for path, data in object_files(deposit("a,b\n"), WHEN, by) if path == "inventory.json")
    assert json.loads(data)["versions"]["v1"]["user"] == {"name": named}


@pytest.mark.parametrize(("length", "by_name"), [(200, True), (201, False)])
def test_a_part_of_a_path_beyond_200_letters_goes_by_its_digest(deposit, length, by_name):
    """At 200 letters a file lies under its own name, beyond under its sha256; the inventory keeps the name."""
    name = "n" * length
    files = dict(object_files(deposit({name: b"1"}), WHEN, "tester"))
    (path,) = (path for path in files if path.startswith("v1/content/"))
    assert path == "v1/content/" + (name if by_name else hashlib.sha256(name.encode()).hexdigest())
    assert list(json.loads(files["inventory.json"])["versions"]["v1"]["state"].values()) == [[name]]
