"""The digests that say what derived things were made from follow from the ledger, commit by commit."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime

import pytest

from stillwell.archive.ledger.entries import Entry, self_checked
from stillwell.archive.ledger.input_digests import ANY_YEAR, COMPACTION, Inputs, inputs_digest
from stillwell.errors import ArchiveDamaged
from stillwell.shared_types import ListedFile


def entry(*files, reason="ingest", **more):
    """Make an entry that lists some files."""
    moment = datetime(2026, 1, 1, tzinfo=UTC)
    return Entry(1, "", moment, "T1", {"name": "stillwell"}, reason, "2.0", files=files, **more)


def file(name, digest, table="gaugings", sites=("S1",), years=()):
    """List a file."""
    return ListedFile(f"tables/{table}/{name}.parquet", 10, digest, table, sites, 1, years)


def digest(*parts):
    """Chain digests by hand: sha256 of the text of the one before and the next."""
    out = ""
    for part in parts:
        out = hashlib.sha256((out + part).encode()).hexdigest()
    return out


def test_the_digest_of_a_site_runs_over_its_files_in_order():
    """``d_n = sha256(d_(n-1) + f_n)``, by entry and then by path; another site's files leave it alone."""
    inputs = Inputs()
    inputs.add(entry(file("b", "bb"), file("a", "aa"), file("c", "cc", sites=("S2",))))
    inputs.add(entry(file("d", "dd")))
    assert inputs.of("gaugings", "S1") == {"gaugings/S1": digest("aa", "bb", "dd")}
    assert inputs.of("gaugings", "S2") == {"gaugings/S2": digest("cc")}
    assert inputs.of("points", "S1") == {}


def test_a_compaction_changes_no_digest():
    """The rows stay what they were, and so does whatever was made from them."""
    inputs = Inputs()
    inputs.add(entry(file("a", "aa"), file("b", "bb")))
    before = inputs.of("gaugings", "S1")
    inputs.add(entry(file("whole", "ww", sites=("S1", "S2")), reason=COMPACTION, replaced=("a", "b")))
    assert inputs.of("gaugings", "S1") == before


def test_a_year_of_a_series_changes_alone():
    """A value of 2024 leaves the digest of 2023 as it was; a file that tells no year bears on every year."""
    inputs = Inputs()
    inputs.add(entry(file("a", "aa", "stage", years=(2022, 2023))))
    first = {year: inputs.of("stage", "S1", year) for year in (2022, 2023)}
    inputs.add(entry(file("b", "bb", "stage", years=(2023,))))
    assert inputs.of("stage", "S1", 2022) == first[2022] == {"stage/S1/2022": digest("aa")}
    assert inputs.of("stage", "S1", 2023) == {"stage/S1/2023": digest("aa", "bb")}
    assert inputs.years("stage", "S1") == [2022, 2023]
    inputs.add(entry(file("c", "cc", "stage")))
    assert inputs.of("stage", "S1", 2022) == {"stage/S1": digest("cc"), "stage/S1/2022": digest("aa")}
    assert ANY_YEAR in inputs.years("stage", "S1")


def test_a_file_of_several_sites_bears_on_each():
    """Each of its sites gets another digest, a third site does not."""
    inputs = Inputs()
    inputs.add(entry(file("a", "aa", sites=("S1", "S2"))))
    assert inputs.of("gaugings", "S1") == {"gaugings/S1": digest("aa")}
    assert inputs.of("gaugings", "S2") == {"gaugings/S2": digest("aa")}
    assert inputs.sites("gaugings") == ["S1", "S2"]


def test_what_was_made_is_known_by_the_inputs_it_was_last_made_from():
    """A later entry takes the place of an earlier one."""
    inputs = Inputs()
    inputs.add(entry(made_from={"netcdf/S1/gaugings.nc": {"gaugings/S1": "aa"}}))
    inputs.add(entry(made_from={"netcdf/S1/gaugings.nc": {"gaugings/S1": "bb"}}))
    assert inputs.made == {"netcdf/S1/gaugings.nc": inputs_digest({"gaugings/S1": "bb"})}
    assert inputs_digest({"b": "2", "a": "1"}) == hashlib.sha256(b'{"a":"1","b":"2"}').hexdigest()


def test_they_are_written_down_and_read_back():
    """One bit changed is noticed."""
    inputs = Inputs()
    inputs.add(entry(file("a", "aa", "stage", years=(2022,)), file("b", "bb"), made_from={"record:S1": {"x": "y"}}))
    data = inputs.to_json()
    assert Inputs.from_json(data, "here") == inputs
    with pytest.raises(ArchiveDamaged, match="here"):
        Inputs.from_json(data.replace(b"2022", b"2021"), "here")


def test_an_entry_before_format_2_names_one_site_and_no_years():
    """Its files read as files of that site; what it says of others is empty."""
    new = entry(file("a", "aa", "stage", years=(2022,)))
    fields = json.loads(new.to_json())
    old = {"path": "tables/stage/a.parquet", "size": 10, "sha256": "aa", "table": "stage", "site": "S1", "rows": 1}
    fields["files"] = [old]
    del fields["digest"]
    (listed,) = Entry.from_json(self_checked(fields), "here").files
    assert (listed.sites, listed.site, listed.years) == (("S1",), "S1", ())
    (back,) = Entry.from_json(new.to_json(), "here").files
    assert back == new.files[0]
