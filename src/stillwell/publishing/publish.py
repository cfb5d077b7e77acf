"""The steps of publishing in order: decide, pick, write beside, rename. Never writes into an archive."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from stillwell import __version__
from stillwell.archive.archive import Archive
from stillwell.archive.disk.nested_paths import lies_within
from stillwell.archive.tables.current_rows import newest_rows
from stillwell.assessment.policy import Policy
from stillwell.fingerprint import canonical_json, sha256
from stillwell.publishing.bag import Bag, new_bag, one_line
from stillwell.publishing.crate import DESCRIPTOR, crate_metadata
from stillwell.publishing.datacite import datacite_record
from stillwell.publishing.facts import Facts, LeftOut
from stillwell.publishing.netcdf_files import netcdf_files, site_years
from stillwell.publishing.provenance import numbers_at, published_provenance, recorded_names
from stillwell.publishing.public import CannotPublish, Public, public_on
from stillwell.publishing.readme import bag_readme
from stillwell.publishing.rows import CODE, Going, going, parquet
from stillwell.schemas import SERIES_TIME


@dataclass(frozen=True)
class Published:
    """What was published, and what stayed behind."""

    path: Path
    day: date
    dataset: str
    """Digest that names the data set."""
    sites: tuple[str, ...]
    gaugings: int
    rows: dict[str, int]
    files: int
    size: int
    left_out: LeftOut
    closed: tuple[str, ...]
    """Codes of the closed sites left out: for the office, they are nowhere in the bag."""
    embargoed: tuple[str, ...]
    stood: bool = False
    """Whether the same bag, byte for byte, was there already; then nothing was written."""
    cut_short: tuple[str, ...] = ()
    """Hidden folders beside the bag, left by publications under other names that were cut short."""


def publish(
    archive: Archive,
    out: Path,
    *,
    day: date,
    by: str,
    policy: Policy,
    sites: Sequence[str] | None = None,
    title: str = "",
) -> Published:
    """Write what is public on a day as a BagIt 1.0 bag that a stranger can read.

    Parameters
    ----------
    archive : Archive
    out : Path
        A folder that does not exist, outside the archive; whole afterwards, or not there. The very bag may be there.
    day : date
        The day to publish for; the clock is not asked.
    by : str
        Code of whoever publishes.
    policy : Policy
        The office's, for its name.
    sites : sequence of str, optional
        Only these sites.
    title : str
        Of the data set; made from sites and years where none is given.

    Returns
    -------
    Published

    Raises
    ------
    CannotPublish
        If a site has no licence, nothing is public, a site is unknown, ``by`` is no code, or ``out`` is taken.
    ArchiveDamaged
        If the archive is not as it was written.
    """
    _refuse_bad_call(archive, out, by)
    everything = archive.standing("gaugings")
    known = sorted(set(everything["site"]))
    public = public_on(day, archive.standing("sites"), known, sites)
    picked = going(archive, public)
    with new_bag(out) as bag:
        written = _add_tables(bag, archive, picked, day)
        made = 0
        for path, data in netcdf_files(archive, public, picked, policy.office, written.years):
            bag.add(path, data)
            made += 1
        facts = Facts(
            title=one_line(title) or _title(public, picked),
            day=day,
            by=by,
            office=policy.office,
            register=public.register,
            gaugings=picked.gaugings,
            findings=picked.of("findings"),
            rows=written.rows,
            site_years=made,
            left_out=_left_out(archive, everything, public, picked, written.codes_withheld),
            dataset=written.dataset,
            software_version=__version__,
            asked=sites is not None,
        )
        _add_documents(bag, archive, facts, written.recorded)
        bag.seal(_info(facts))
    return Published(
        path=out,
        day=day,
        dataset=facts.dataset,
        sites=public.sites,
        gaugings=len(facts.gaugings),
        rows=dict(facts.rows),
        files=len(bag.files),
        size=sum(file.size for file in bag.files),
        left_out=facts.left_out,
        closed=public.closed,
        embargoed=public.embargoed,
        stood=bag.stood,
        cut_short=bag.cut_short,
    )


def _refuse_bad_call(archive: Archive, out: Path, by: str) -> None:
    if not re.fullmatch(CODE, by):
        msg = f"expected the code of whoever publishes, without blanks, found {by!r}; nothing was published"
        raise CannotPublish(msg)
    if lies_within(out, archive.root):
        msg = f"expected a folder outside the archive {archive.root}, found {out}; nothing was published"
        raise CannotPublish(msg)


@dataclass
class _Written:
    """What is to be told of the tables written, noted while their rows went by."""

    dataset: str = ""
    """Digest that names what they say."""
    rows: dict[str, int] = field(default_factory=dict)
    codes_withheld: int = 0
    recorded: set[str] = field(default_factory=set)
    """Names of the stage, ratings and records in the archive's provenance."""
    years: dict[str, set[tuple[str, int]]] = field(default_factory=dict)
    """Sites and years of series, by table."""


def _add_tables(bag: Bag, archive: Archive, picked: Going, day: date) -> _Written:
    """Write the tables and their schemas, some sites at a time, and note what went by."""
    written, numbers, digests = _Written(), numbers_at(archive), []

    def noted(name: str) -> Iterator[pd.DataFrame]:
        written.rows[name] = 0
        for lot in picked.lots(name):
            rows, hidden = picked.as_published(name, lot)
            written.rows[name] += len(rows)
            written.codes_withheld += hidden
            written.recorded |= recorded_names(numbers, name, rows)
            if name in SERIES_TIME:
                written.years.setdefault(name, set()).update(site_years(name, rows))
            yield rows

    for name, described in picked.described.items():
        pieces = parquet(name, noted(name), described, {"archive:published_for": day.isoformat()})
        digests.append([name, bag.add_pieces(f"tables/{name}.parquet", pieces).digests["sha256"]])
        bag.add(f"schemas/{name}.json", _json(described))
    written.dataset = sha256(canonical_json(digests))
    return written


def _add_documents(bag: Bag, archive: Archive, facts: Facts, recorded: Set[str]) -> None:
    size = sum(file.size for file in bag.files if not file.path.endswith(".json"))
    provenance = published_provenance(
        archive,
        facts.gaugings,
        recorded,
        day=facts.day,
        by=facts.by,
        dataset=facts.dataset,
        software_version=facts.software_version,
    )
    bag.add("provenance.prov.json", provenance)
    bag.add("datacite.json", _json(datacite_record(facts, size)))
    bag.add("README.txt", bag_readme(facts))
    bag.add(DESCRIPTOR, _json(crate_metadata(facts, list(bag.files))))


def _json(value: Any) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def _title(public: Public, picked: Going) -> str:
    names = [one_line(str(name)) for name in public.register["name"]]
    where = ", ".join(names) if len(names) <= 3 else f"{len(names)} sites"
    years = picked.gaugings["started_at"].dt.year
    if years.empty:
        return f"Gaugings at {where}"
    first, last = int(years.min()), int(years.max())
    return f"Gaugings at {where}, {first}" + (f" to {last}" if last > first else "")


def _left_out(archive: Archive, everything: pd.DataFrame, public: Public, picked: Going, withheld: int) -> LeftOut:
    """Count what stays behind."""
    at = everything["site"].value_counts()
    columns = ["gauging_id", "revision", "recorded_at", "site", "status"]
    rows = archive.read("gaugings", archive.related(public.sites), columns)
    newest = newest_rows(rows)
    stands = set(everything["gauging_id"])
    gone = newest[newest["site"].isin(set(public.sites)) & ~newest["gauging_id"].isin(stands)]
    newer = newest[newest["status"] != "withdrawn"].groupby("gauging_id")["revision"].max()
    published = picked.gaugings.set_index("gauging_id")["revision"]
    return LeftOut(
        closed_sites=len(public.closed),
        closed_gaugings=int(at.reindex(public.closed).fillna(0).sum()),
        embargoed_sites=len(public.embargoed),
        embargoed_gaugings=int(at.reindex(public.embargoed).fillna(0).sum()),
        withdrawn_gaugings=gone["gauging_id"].nunique(),
        waiting_revisions=int((newer.reindex(published.index) > published).sum()),
        codes_withheld=withheld,
        tables=picked.unplaced,
        columns=picked.columns_left_out,
    )


def _info(facts: Facts) -> dict[str, str]:
    return {
        "Source-Organization": facts.office["name"],
        "Contact-Name": facts.office["contact_role"],
        "External-Description": f"{facts.title}. {len(facts.gaugings)} gaugings; see data/README.txt.",
        "External-Identifier": facts.name,
        "Bagging-Date": facts.day.isoformat(),
        "Bag-Software-Agent": f"stillwell {facts.software_version}",
    }
