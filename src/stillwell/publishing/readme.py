"""README.txt of a bag, for a stranger: who, where, when, how, how sure, may I reuse, what was left out, how to read."""

from __future__ import annotations

import textwrap
from typing import Any

import pandas as pd

from stillwell.archive.readme import table_line
from stillwell.publishing.bag import one_line
from stillwell.publishing.facts import Facts, counted, licence_address
from stillwell.publishing.rows import NEVER
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.words import WITHIN_PCT

_HEAD = """\
{title}
{rule}
Published on {day} by {office} ({identifier}); ask for the {contact}.
Handed over by the person with the code {by}. Written by the software stillwell {version}, for somebody who has
nothing of ours but this folder.

WHAT THIS IS
A gauging is a measurement of the discharge of a stream: at several verticals across the section, position,
depth and velocity were read.
{abstract}
Name of this edition: {name}
(a digest of its tables, so that two editions can be told apart; it is no DOI, and none has been assigned here.)
"""

_PLACES = """
WHO, WHERE, WHEN, AND UNDER WHICH LICENCE
{sites}
Latitude and longitude are the gauge's, in degrees; times are UTC. The whole register is tables/sites.parquet.
Field parties, observers and whoever decided are named by codes only (columns party, observer, by); the key to the
codes is kept by the office and is not published.
"""

_HOW = """
HOW
Methods: {methods}.
Meters: {meters}.
recomputable is true where discharge was computed from the points in here ({recomputable} gaugings), false where it
stands as handed in. verticals.parquet holds each panel, points.parquet each velocity, with exposure, angle and signal
where they were noted; checks.parquet the checks of the meters that the gaugings name. From the points anybody can
compute the discharge again, in the plain case by mid-section: each vertical's mean velocity times its depth times
half the distance to either neighbour.
provenance.prov.json (W3C PROV-JSON) says which deposit, software and policy each gauging rests on, by digest.

HOW SURE
status        {statuses}
              provisional: not yet reviewed by a person, may change. approved: reviewed and accepted by a person.
within_pct    {within}
              the least of {limits} percent that the larger standard uncertainty (k = 1) does not exceed, else
              beyond. Empty: no uncertainty in percent is known.
uncertainty   uncertainty_table_* combines tables of ISO 748 as remembered, which were not verified;
              uncertainty_scatter_* follows from the scatter of depths and velocities. Both are expanded
              uncertainties (95 %, k = 2), in m3/s and in percent. Empty where they cannot be given.
              uncertainty_budget.parquet says what each part contributes.
findings      {findings}
              doubts that travel with the numbers. Read findings.parquet before using a number: suspect means that
              it may be wrong, unusable that it must not be used unless a person has decided otherwise.
What the checks did not doubt is not thereby proved right. What was handed in (handed_in_*) is repeated, not verified.

MAY I REUSE IT
{licences}
The licence of each site stands in the column licence of sites.parquet and in each NetCDF file (attribute license).
Please cite:
{citation}
Provisional numbers may change: say with them that they are provisional, and the day above.
"""

_LEFT = """
WHAT WAS LEFT OUT
{left}
Free text: the columns {columns}
    are left out of every table, since people may have written names into them.
Tables that never go out:
{never}
Rows that do not stand: earlier revisions, replaced by newer ones, and everything withdrawn.
Meters and their checks that no published gauging names.
"""

_READ = """
WHAT IS WHERE
data/tables/<table>.parquet   one Apache Parquet file per table, units and meanings inside
data/netcdf/<site>/           NetCDF-4 after CF-1.11 and ACDD-1.3 ({site_years} files): gaugings.nc per site, and where
                              there is a record daily.nc per site, stage_<year>.nc and discharge_<year>.nc per year
data/schemas/<table>.json     Table Schema of each table: every column's type, unit, meaning, range, words
data/provenance.prov.json     what rests on what
data/ro-crate-metadata.json   the same folder described as an RO-Crate 1.2
data/datacite.json            the record for a DataCite registration; without a DOI, which nobody has assigned yet
bagit.txt and beside          the folder above data/ is a BagIt 1.0 bag (RFC 8493): manifest-sha256.txt and
                              manifest-sha512.txt list the digest of every file under data/

In names of folders "=" and two hexadecimal digits stand for a character that not every system can take.
{tables}

HOW TO READ
Run in the folder data/. In Python with pandas:
    gaugings = pandas.read_parquet("tables/gaugings.parquet")
In DuckDB:
    SELECT site, started_at, discharge_m3_s, uncertainty_table_pct, within_pct, status
    FROM read_parquet('tables/gaugings.parquet') ORDER BY started_at
NetCDF, with any reader, for example xarray.open_dataset("netcdf/<site>/gaugings.nc"):
    gauging_index says which gauging (from 0) each vertical belongs to; row_size says how many points each vertical
    has, one after the other along obs.
gauging_id ties the tables together; revision says which revision of a gauging the rows belong to.
The unit is in the column's name: _m metre, _m2, _m3_s cubic metre per second, _m_s metre per second, _s second, _c
degree Celsius, _pct percent, _deg degree of angle, _db decibel, _ppt parts per thousand, _km2. An empty cell means that
nothing is known; it never means zero. A discharge of 0 says that no water flowed. Velocities and discharges below
zero are meant so: the water ran upstream.
To check that nothing changed: sha256sum -c manifest-sha256.txt, in the folder above data/.

CAUTION
Nothing here says that a stream may be waded. Depth, velocity, floods and ice kill; local rules, training and the
people on the bank decide. A gauging once made by wading is no permission to enter the water.
"""


def bag_readme(facts: Facts) -> bytes:
    """Write README.txt.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    bytes
        UTF-8 text.
    """
    title, office = one_line(facts.title), {k: one_line(v) for k, v in facts.office.items()}
    head = _HEAD.format(
        title=title,
        rule="=" * len(title),
        day=facts.day.isoformat(),
        office=office["name"],
        identifier=office["identifier"],
        contact=office["contact_role"],
        by=facts.by,
        version=facts.software_version,
        abstract=textwrap.fill(facts.abstract, 112),
        name=facts.name,
    )
    places = _PLACES.format(sites="\n".join(_site(site, facts) for site in facts.register.to_dict("records")))
    return (head + places + _how(facts) + _left(facts) + _read(facts)).encode("utf-8")


def citation(facts: Facts) -> str:
    """Write how to cite the data set."""
    owners = "; ".join(one_line(owner) for owner in facts.owners)
    return (
        f"{owners} ({facts.day.year}): {one_line(facts.title)}. Edition of {facts.day.isoformat()}. "
        f"{one_line(facts.office['name'])}. [Data set] {facts.name}"
    )


def _site(site: dict[Any, Any], facts: Facts) -> str:
    mine = facts.gaugings[facts.gaugings["site"] == site["site"]]
    river = "" if pd.isna(site["river"]) else f", river {site['river']}"
    owner = facts.office["name"] if pd.isna(site["owner"]) else site["owner"]
    datum = "" if pd.isna(site["horizontal_datum"]) else f" ({site['horizontal_datum']})"
    lines = [
        f"{site['site']}: {site['name']}{river}",
        f"    at {site['latitude']:g}, {site['longitude']:g}{datum}; owner {owner}; licence {site['licence']}",
    ]
    if len(mine):
        flow = mine["discharge_m3_s"].dropna()
        span = f", discharge {flow.min():.3g} to {flow.max():.3g} m3/s" if len(flow) else ""
        lines.append(
            f"    {len(mine)} gaugings from {mine['started_at'].min():%Y-%m-%d} to "
            f"{mine['started_at'].max():%Y-%m-%d}{span}"
        )
    else:
        lines.append("    no gauging that stands")
    return "\n".join([one_line(lines[0]), *("    " + one_line(line) for line in lines[1:])])


def _how(facts: Facts) -> str:
    gaugings = facts.gaugings
    return _HOW.format(
        methods=_counts_text(counted(gaugings["method"])),
        meters=one_line(_counts_text(counted(gaugings["instrument"]))),
        recomputable=int(gaugings["recomputable"].fillna(False).sum()),
        statuses=_counts_text(facts.statuses),
        within=_counts_text(counted(gaugings["within_pct"]) | _missing(gaugings["within_pct"])),
        limits=", ".join(WITHIN_PCT[:-1]),
        findings=_counts_text(counted(facts.findings["severity"])),
        licences="\n".join(_licence(licence, facts) for licence in facts.licences),
        citation=_indented(citation(facts)),
    )


def _missing(values: pd.Series) -> dict[str, int]:
    count = int(values.isna().sum())
    return {"not known": count} if count else {}


def _licence(licence: str, facts: Facts) -> str:
    mine = facts.register["site"][facts.register["licence"].str.strip() == licence]
    address = licence_address(licence)
    return one_line(f"{licence}{f' ({address})' if address else ''}: sites {', '.join(mine)}")


def _left(facts: Facts) -> str:
    left = facts.left_out
    lines = [
        f"Gaugings left out: {left.gaugings}",
        f"    at closed sites: {left.closed_gaugings} (sites: {left.closed_sites}); nobody outside may read them",
        f"    under embargo: {left.embargoed_gaugings} (sites: {left.embargoed_sites}); not yet public on the day",
        f"    withdrawn: {left.withdrawn_gaugings}; taken back by a person",
        f"Published gaugings of which a newer revision waits for a review: {left.waiting_revisions}",
    ]
    if facts.asked:
        lines.append("Only some sites of the archive were asked for; the others are not counted above.")
    if left.codes_withheld:
        lines.append(
            f'Cells that should hold a code, did not look like one and now say "withheld": {left.codes_withheld}'
        )
    if left.tables:
        lines.append(f"Tables of which no row can be told to be public: {', '.join(left.tables)}.")
    never = "\n".join(_indented(f"{name}: {why}") for name, why in NEVER.items())
    return _LEFT.format(left="\n".join(lines), columns=", ".join(left.columns), never=never)


def _read(facts: Facts) -> str:
    lines = ["", "Rows of each table:"]
    lines += [f"    {name:<20}{count:>10}" for name, count in facts.rows.items()]
    lines += ["", *(table_line(name) for name in facts.rows if name in ARCHIVE_TABLES)]
    return _READ.format(site_years=facts.site_years, tables="\n".join(lines))


def _indented(text: str) -> str:
    """Wrap a paragraph under the line before it; a word that is too long stays whole."""
    return textwrap.fill(
        text, 112, initial_indent="    ", subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
    )


def _counts_text(counts: dict[str, int]) -> str:
    return ", ".join(f"{word} {count}" for word, count in counts.items()) or "none"
