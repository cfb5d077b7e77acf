"""Short lists of what an archive holds."""

from __future__ import annotations

import pyarrow as pa

from stillwell.archive.archive import Archive
from stillwell.errors import QueryError
from stillwell.reading.select.sql import ask

_COUNTED = """
  (SELECT count(*) FROM findings f WHERE f.gauging_id = g.gauging_id AND f.severity = 'unusable') AS unusable,
  (SELECT count(*) FROM findings f WHERE f.gauging_id = g.gauging_id AND f.severity = 'suspect') AS suspect,
  (SELECT count(*) FROM findings f WHERE f.gauging_id = g.gauging_id AND f.severity = 'note') AS notes
"""

LISTS = {
    "gaugings": f"""
        SELECT g.gauging_id, g.started_at, g.method, g.party, g.gauge_height_m, g.discharge_m3_s, g.verticals,
          g.within_pct, g.revision, g.status, {_COUNTED}
        FROM gaugings g {{where}} ORDER BY g.site, g.started_at""",
    "sites": "SELECT site, name, river, latitude, longitude, utc_offset, access FROM sites {where} ORDER BY site",
    "instruments": "SELECT instrument, kind, axes, serial, firmware, valid_from FROM instruments ORDER BY 1",
    "checks": """
        SELECT "check", instrument, checked_at, place, samples, receivers, snr_db, water_temperature_c,
          reference_temperature_c, verdict, reasons FROM checks ORDER BY checked_at""",
    "deposits": """
        SELECT left(deposit, 12) AS deposit, name, kind, outcome, gaugings_taken, gaugings_unchanged,
          gaugings_returned, problems, "by", "commit", recorded_at FROM deposits ORDER BY "commit", name""",
    "commits": "",
}
"""One question per list; ``{where}`` is filled where a site can be named. Commits are told by the ledger."""


def listing(archive: Archive, what: str, site: str | None = None) -> pa.Table:
    """List what an archive holds.

    Parameters
    ----------
    archive : Archive
        As it stands, or as it stood at a moment.
    what : str
        A name of ``LISTS``.
    site : str, optional

    Returns
    -------
    pyarrow.Table

    Raises
    ------
    QueryError
        If there is no such list, or it cannot be narrowed to a site.
    """
    if what not in LISTS or (site is not None and "{where}" not in LISTS[what]):
        narrowed = " (a site narrows gaugings and sites)" if site else ""
        msg = f"expected one of {', '.join(LISTS)}{narrowed}; found {what!r}"
        raise QueryError(msg)
    if what == "commits":
        return _commits(archive)
    where = "" if site is None else "WHERE site = '" + site.replace("'", "''") + "'"
    return ask(archive, LISTS[what].format(where=where))


def _commits(archive: Archive) -> pa.Table:
    """List the commits, those without a deposit too: derivations, recomputations, compactions."""
    entries = archive.ledger.entries()[: archive.number]

    def counted(name: str) -> list[int]:
        return [sum(int(note.get(name, 0)) for note in entry.deposits) for entry in entries]

    return pa.table(
        {
            "commit": pa.array([e.number for e in entries], pa.int64()),
            "recorded_at": pa.array([e.recorded_at for e in entries], pa.timestamp("us", tz="UTC")),
            "by": pa.array([e.by for e in entries], pa.string()),
            "reason": pa.array([e.reason for e in entries], pa.string()),
            "deposits": pa.array([len(e.deposits) for e in entries], pa.int64()),
            "gaugings_taken": pa.array(counted("gaugings_taken"), pa.int64()),
            "gaugings_returned": pa.array(counted("gaugings_returned"), pa.int64()),
        }
    )
