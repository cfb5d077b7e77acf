"""What goes out is what stands and is public, equal to the archive's; what must stay behind does, and is counted."""

from __future__ import annotations

import json
import shutil
from datetime import date

import bagit
import netCDF4
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import xarray as xr

from stillwell.archive.archive import Archive
from stillwell.archive.netcdf.compare import differing_values
from stillwell.errors import ArchiveDamaged
from stillwell.pipeline.committing import office_policy
from stillwell.publishing import CannotPublish, publish, published_text
from stillwell.publishing.rows import FREE_TEXT, NEVER
from tests.pipeline.season import sheets, take
from tests.publishing.making import (
    CLOSED,
    DAY,
    EMBARGOED,
    OPEN,
    PERSON,
    POLICY,
    gauging,
    published,
    registers,
    reviews,
    tree,
)  # fmt: skip


def _table(out, name):
    return pd.read_parquet(out / "data" / "tables" / f"{name}.parquet")


def _texts(out):
    """Give every text a bag holds, whatever file it stands in, by file."""
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        where = path.relative_to(out).as_posix()
        if path.suffix == ".parquet":
            table = pq.read_table(path)
            yield where, repr(table.schema.metadata) + table.schema.to_string(show_field_metadata=True)
            yield where, " ".join(str(cell) for column in table.columns for cell in column.to_pylist())
        elif path.suffix == ".nc":
            with xr.open_dataset(path, decode_cf=False) as data:
                yield (
                    where,
                    repr(data.attrs)
                    + " ".join(
                        b"".join(v.values.ravel().tolist()).decode() for v in data.values() if v.dtype.kind == "S"
                    ),
                )
        else:
            yield where, path.read_text(encoding="utf-8")


def test_the_bag_is_valid(told):
    """The independent library validates it."""
    bag = bagit.Bag(str(told.path))
    bag.validate()
    assert bag.info["Bagging-Date"] == "2026-03-01"
    assert bag.info["Payload-Oxum"] == f"{told.size}.{told.files}"
    assert bag.info["Source-Organization"] == "Invented Hydrometric Office"


def test_values_equal_the_archives(archive, told):
    """Every table holds the rows that stand of the open site, cell by cell, but for the columns left out."""
    kept = Archive(archive)
    for path in sorted((told.path / "data" / "tables").glob("*.parquet")):
        out = _table(told.path, path.stem)
        rows = kept.standing(path.stem, [OPEN])
        if path.stem == "reviews":
            rows = rows[rows["subject"] == gauging(1)]
        if path.stem == "instruments":
            rows = rows[rows["instrument"] == "M1"]
        rows = rows.drop(columns=[c for c in FREE_TEXT if c in rows]).reset_index(drop=True)
        order = [c for c in rows.columns if c not in ("value", "limit")]
        rows, out = (f.sort_values(order).reset_index(drop=True).astype("object") for f in (rows, out))
        rows, out = (f.where(f.notna(), None) for f in (rows, out))
        pd.testing.assert_frame_equal(rows, out, check_exact=True)
    assert _table(told.path, "gaugings")["gauging_id"].tolist() == [gauging(d) for d in (1, 3, 4, 5)]
    assert len(_table(told.path, "points")) == 4 * 7


def test_the_size_of_the_bag_is_what_publishing_says(told):
    """Rows, sites and gaugings told are those in the bag."""
    assert told.sites == (OPEN,)
    assert told.gaugings == 4
    assert told.rows == {name: len(_table(told.path, name)) for name in told.rows}
    assert set(told.rows) == {p.stem for p in (told.path / "data" / "tables").iterdir()}


def test_what_was_left_out_is_counted(told):
    """Closed, embargoed and withdrawn, in what publishing says and in the README, which names no such site."""
    left = told.left_out
    assert (left.closed_sites, left.closed_gaugings) == (1, 2)
    assert (left.embargoed_sites, left.embargoed_gaugings) == (1, 1)
    assert (left.withdrawn_gaugings, left.gaugings) == (1, 4)
    assert (told.closed, told.embargoed) == ((CLOSED,), (EMBARGOED,))
    readme = (told.path / "data" / "README.txt").read_text(encoding="utf-8")
    assert "Gaugings left out: 4" in readme
    assert "at closed sites: 2 (sites: 1)" in readme
    assert "under embargo: 1 (sites: 1)" in readme
    assert "withdrawn: 1" in readme


def test_nothing_of_a_site_that_is_not_public_is_in_the_bag(told):
    """No file names a closed or embargoed site, a gauging there, a withdrawn gauging, or a meter used only there."""
    hidden = ("Hidden Weir", "Later Bridge", f"{CLOSED}.2025", f"{EMBARGOED}.2025", "S%203", gauging(2), '"M2"')
    found = [(where, word) for where, text in _texts(told.path) for word in hidden if word in text]
    assert found == []
    assert "M2" not in set(_table(told.path, "instruments")["instrument"])


def test_no_name_of_a_person_is_in_the_bag(archive, told):
    """A name in a people table, remark, reason or name of a deposit reaches no file; the codes do."""
    words = [w.casefold() for part in (PERSON, PERSON.replace(" ", "_")) for w in (part, *part.split())]
    read = list(_texts(told.path))
    assert [(where, w) for where, text in read for w in words if w in text.casefold()] == []
    assert any("P1" in text for where, text in read if "gaugings.parquet" in where)
    kept = Archive(archive)
    assert PERSON in set(kept.standing("gaugings")["remarks"])
    assert PERSON.replace(" ", "_") in set(kept.read("deposits")["name"])


def test_a_name_in_place_of_a_code_is_withheld(tmp_path):
    """Who hands in under a name, or writes one as party, is not named; the cells are counted."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"))
    take(root, sheets(tmp_path / "first", "1", "2", party=PERSON), by=PERSON)
    told = published(root, tmp_path / "bag")
    assert set(_table(told.path, "gaugings")["party"]) == {"withheld"}
    assert told.left_out.codes_withheld == 2
    assert 'now say "withheld": 2' in (told.path / "data" / "README.txt").read_text()
    for where, text in _texts(told.path):
        assert "Quilla" not in text, where


def test_free_text_and_some_tables_never_go_out(told):
    """Columns people write freely are in no table and no schema; the README says which."""
    readme = (told.path / "data" / "README.txt").read_text(encoding="utf-8")
    for path in (told.path / "data" / "schemas").glob("*.json"):
        fields = [f["name"] for f in json.loads(path.read_text(encoding="utf-8"))["fields"]]
        assert fields == list(_table(told.path, path.stem).columns)
        assert not set(FREE_TEXT) & set(fields)
    assert not set(NEVER) & set(told.rows)
    assert all(name in readme for name in (*NEVER, *FREE_TEXT))


def test_units_are_in_the_files(told):
    """Each column of a published table keeps unit and meaning, for readers of Arrow and for others."""
    schema = pq.read_schema(told.path / "data" / "tables" / "gaugings.parquet")
    assert schema.field("discharge_m3_s").metadata[b"units"] == b"m3 s-1"
    described = {f["name"]: f for f in json.loads(schema.metadata[b"archive:columns"])}
    assert list(described) == schema.names
    assert described["discharge_m3_s"]["unit"] == "m3 s-1"


def test_netcdf_is_the_archives_own_where_it_holds_just_what_goes_out(archive, told, tmp_path):
    """A file with none but public gaugings is copied byte for byte; for an office of another name it is rendered."""
    own = (archive / "netcdf" / OPEN / "gaugings.nc").read_bytes()
    bag = publish(Archive(archive), tmp_path / "bag", day=DAY, by="T1", policy=office_policy()[0]).path
    assert (bag / "data" / "netcdf" / OPEN / "gaugings.nc").read_bytes() == own
    renamed = (told.path / "data" / "netcdf" / OPEN / "gaugings.nc").read_bytes()
    assert differing_values(renamed, own) == differing_values(own, renamed) == []
    with netCDF4.Dataset("renamed", memory=renamed) as file:
        assert file.publisher_name.startswith("Invented Hydrometric Office")
    assert len(list(told.path.rglob("*.nc"))) == 1


def test_netcdf_is_rendered_again_where_the_archives_own_says_otherwise(archive, tmp_path):
    """A licence that holds only later is in the archive's file; the bag's says the one of the day."""
    root = shutil.copytree(archive, tmp_path / "archive")
    later = tmp_path / "later"
    later.mkdir()
    (later / "sites.csv").write_text(
        "site,valid_from,name,latitude,longitude,utc_offset,licence,access\n"
        f"{OPEN},2027-01-01T00:00Z,Alder Ford (invented),47.5,-29.5,-02:00,CC-BY-4.0,open\n"
    )
    take(root, later)
    told = published(root, tmp_path / "bag")
    path = told.path / "data" / "netcdf" / OPEN / "gaugings.nc"
    with xr.open_dataset(path) as ours, xr.open_dataset(root / "netcdf" / OPEN / "gaugings.nc") as kept:
        assert ours.attrs["license"].endswith("CC0-1.0")
        assert kept.attrs["license"].endswith("CC-BY-4.0")
        np.testing.assert_array_equal(ours["discharge"], kept["discharge"])


def test_a_year_in_which_all_was_withdrawn_has_no_file(tmp_path):
    """The archive keeps a file of withdrawn gaugings; the bag does not."""
    root = tmp_path / "archive"
    take(root, registers(tmp_path / "registers"))
    take(root, sheets(tmp_path / "first", "1"))
    take(root, reviews(tmp_path / "reviews", (gauging(1), "withdrawn")))
    assert list(root.rglob("*.nc"))
    told = published(root, tmp_path / "bag")
    assert (told.gaugings, told.left_out.withdrawn_gaugings) == (0, 1)
    assert list(told.path.rglob("*.nc")) == []
    bagit.Bag(str(told.path)).validate()


def test_an_embargo_ends_on_its_day(archive, tmp_path):
    """The day before the site stays behind; on the day it goes out, with its own licence."""
    before = published(archive, tmp_path / "before", date(2026, 3, 31))
    on = published(archive, tmp_path / "on", date(2026, 4, 1))
    assert (EMBARGOED in before.sites, EMBARGOED in on.sites) == (False, True)
    assert on.left_out.embargoed_gaugings == 0
    assert gauging(8, EMBARGOED) in set(_table(on.path, "gaugings")["gauging_id"])
    assert (on.path / "data" / "netcdf" / "S=203" / "gaugings.nc").exists()
    bagit.Bag(str(on.path)).validate()
    assert "CC-BY-4.0 (https://spdx.org/licenses/CC-BY-4.0): sites S 3" in (on.path / "data/README.txt").read_text()


def test_without_a_licence_there_is_no_bag(tmp_path):
    """The error names the sites, and nothing is written."""
    root = tmp_path / "archive"
    bare = {"name": "A (invented)", "licence": ""}
    take(root, registers(tmp_path / "registers", {"S1": bare, "S4": bare, "S5": bare | {"licence": "CC0-1.0"}}))
    take(root, sheets(tmp_path / "first", "1"))
    with pytest.raises(CannotPublish, match=r"licence .* found none for S1, S4; nothing was published"):
        published(root, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()
    assert published(root, tmp_path / "bag", sites=["S5"]).sites == ("S5",)


def test_a_candidate_waits_and_is_counted(archive, tmp_path):
    """Beside an approved revision a newer one does not go out."""
    root = shutil.copytree(archive, tmp_path / "archive")
    take(root, sheets(tmp_path / "again", "1", velocity=0.5))
    told = published(root, tmp_path / "bag")
    rows = _table(told.path, "gaugings").set_index("gauging_id")
    assert rows.loc[gauging(1), "revision"] == 1
    assert rows.loc[gauging(1), "status"] == "approved"
    assert told.left_out.waiting_revisions == 1
    assert set(_table(told.path, "points").query("gauging_id == @gauging(1)")["revision"]) == {1}


def test_the_same_arguments_give_the_same_bytes(archive, told, tmp_path):
    """Twice the same call makes the same bag, byte for byte; another day makes another."""
    assert tree(published(archive, tmp_path / "again").path) == tree(told.path)
    other = published(archive, tmp_path / "other", date(2026, 3, 2))
    assert other.dataset != told.dataset


def test_the_archive_is_left_as_it_is(archive, tmp_path):
    """Publishing writes nothing into the archive, and refuses to."""
    before = tree(archive)
    published(archive, tmp_path / "bag")
    for place in (archive / "bag", archive, archive / "tables" / ".." / "bag"):
        with pytest.raises(CannotPublish, match="outside the archive"):
            published(archive, place)
    assert tree(archive) == before


@pytest.mark.parametrize("by", ["", PERSON, "a@b.invalid", "x" * 41])
def test_a_publisher_is_a_code(archive, tmp_path, by):
    """A name or an address is refused before anything is written."""
    with pytest.raises(CannotPublish, match="code of whoever publishes"):
        publish(Archive(archive), tmp_path / "bag", day=DAY, by=by, policy=POLICY)
    assert list(tmp_path.iterdir()) == []


def test_a_flipped_byte_anywhere_in_the_bag_is_found(archive, tmp_path):
    """For every file of the bag in turn, one byte changed makes the independent library refuse it."""
    out = published(archive, tmp_path / "bag").path
    missed = []
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        data = path.read_bytes()
        middle = len(data) // 2
        path.write_bytes(data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :])
        try:
            bagit.Bag(str(out)).validate()
        except (bagit.BagError, UnicodeDecodeError):
            pass
        else:
            missed.append(path.relative_to(out).as_posix())
        path.write_bytes(data)
    # nothing lists the lists of tag files themselves: a digest changed there no longer fits what it names
    assert missed == []
    bagit.Bag(str(out)).validate()


def test_a_damaged_archive_is_not_published(archive, tmp_path):
    """A table file that is not as it was written stops publishing before anything has its name."""
    root = shutil.copytree(archive, tmp_path / "archive")
    path = next(p for p in (root / "tables" / "points").rglob("*.parquet") if OPEN in p.parts[-2])
    data = path.read_bytes()
    path.chmod(0o644)
    path.write_bytes(data[: len(data) // 2] + b"\0" * 8 + data[len(data) // 2 + 8 :])
    with pytest.raises(ArchiveDamaged):
        published(root, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


def test_the_office_is_told_which_sites_stayed_behind(told):
    """What the caller reads names them and counts; the bag only counts."""
    lines = published_text(told).splitlines()
    assert lines[0].endswith("bag: 4 gaugings at 1 sites, public on 2026-03-01")
    assert lines[3:7] == ["left out: 4 gaugings", "  closed: 2 at S2", "  embargoed: 1 at S 3", "  withdrawn: 1"]


def test_a_table_that_nothing_ties_to_what_is_public_stays_behind(archive, tmp_path, monkeypatch):
    """A table with none of the keys that say where a row belongs is not published and is named."""
    kept = Archive(archive)
    odd = pd.DataFrame({"what": ["somebody's notes"]})
    real, names = kept.standing, kept.names
    monkeypatch.setattr(kept, "tables", lambda: [*Archive(archive).tables(), "notes"])
    monkeypatch.setattr(kept, "standing", lambda table, *a: odd if table == "notes" else real(table, *a))
    monkeypatch.setattr(kept, "names", lambda table: list(odd) if table == "notes" else names(table))
    told = publish(kept, tmp_path / "bag", day=DAY, by="T1", policy=POLICY)
    assert told.left_out.tables == ("notes",)
    assert "notes" not in told.rows
    assert "can be told to be public: notes." in (told.path / "data" / "README.txt").read_text()


def test_a_gauging_corrected_to_a_closed_site_goes_with_it(archive, tmp_path):
    """Once a correction says that a gauging was made at a closed site, nothing of it goes out with the open one."""
    root = shutil.copytree(archive, tmp_path / "archive")
    take(root, sheets(tmp_path / "moved", "3", site=CLOSED, corrects=gauging(3)))
    told = published(root, tmp_path / "bag")
    assert _table(told.path, "gaugings")["gauging_id"].tolist() == [gauging(d) for d in (1, 4, 5)]
    assert (told.left_out.closed_gaugings, told.left_out.withdrawn_gaugings) == (3, 1)
    assert [where for where, text in _texts(told.path) if gauging(3) in text] == []
    bagit.Bag(str(told.path)).validate()
