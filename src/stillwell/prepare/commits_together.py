"""Commits of the plainest kind prepared side by side, each against the archive as it stood before it.

Such a commit took gaugings for the first time, with their points, samples and readings of the gauge, and nothing else.
What it comes to rests on the registers, which must be the same for all, and on what stood at its sites. For that each
has a world of its own: codes that others compare carry the number of the commit, so that no two meet. A commit that
does not fit is left out, for ``prepare`` to make by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stillwell.archive.at_commit import AtCommit
from stillwell.archive.revisions.registers import new_rows
from stillwell.archive.revisions.snapshot import LAST, EveryRow
from stillwell.archive.tables.current_rows import standing_rows
from stillwell.assessment.evidence import SEEN
from stillwell.hydrometry.gauging.gauge_height import NO_TIME, microseconds
from stillwell.prepare.batch import Batch, decided, numbered
from stillwell.prepare.compute_batch import APART, Surroundings, apart, computed_parts, joined, joined_again
from stillwell.prepare.context import CommitContext
from stillwell.prepare.meters import no_checks
from stillwell.prepare.prepare_commit import referred
from stillwell.prepare.register_rows import added, deposit_rows, finished, register
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.schemas.derive import key_names
from stillwell.shared_types import Deposit, Understood

TAKEN = ("gaugings", "points", "samples", "gauge_heights")
"""Tables that such a commit hands in."""
MADE = ("gaugings", "verticals", "points", "samples", "findings", "uncertainty_budget", "gauge_heights", "deposits")
"""Tables that such a commit writes."""
THE_SAME = (
    "sites", "instruments", "calibrations", "checks", "check_samples", "policies", "ratings", "rating_segments",
)  # fmt: skip
"""Further tables that the rows of a commit depend on; they must have the same rows before every commit."""
REPEATED = ("sites", "instruments", "calibrations")
"""Registers that may come with it again, if they say nothing new."""

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Several:
    """Commits to be prepared together: their context, all by one policy and rules, and what each took."""

    contexts: tuple[CommitContext, ...]
    deposits: tuple[tuple[Deposit, ...], ...]
    understood: Understood
    """Of the deposits of all."""

    def owners(self) -> dict[str, int]:
        """Name the place of the commit of each deposit."""
        return {one.digest: i for i, some in enumerate(self.deposits) for one in some}

    def without(self, out: Set[int]) -> Several:
        """Leave out the commits at some places."""
        left = [i for i in range(len(self.contexts)) if i not in out]
        digests = {one.digest for i in left for one in self.deposits[i]}

        def mine(rows: pd.DataFrame) -> pd.DataFrame:
            return rows[rows["deposit"].isin(digests)].reset_index(drop=True)

        tables = {name: mine(rows) for name, rows in self.understood.tables.items()}
        understood = Understood(tables, mine(self.understood.problems), mine(self.understood.notes))
        return Several(tuple(self.contexts[i] for i in left), tuple(self.deposits[i] for i in left), understood)


class _Registers(AtCommit):
    """The registers as all commits have them, codes as they ever were, and no gauging."""

    def __init__(self, rows: EveryRow, view: AtCommit) -> None:
        self._rows, self._view = rows, view

    def standing(
        self, table: str, sites: Sequence[str] | None = None, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        return self._view.standing(table, sites, columns)

    def read(
        self, table: str, sites: Sequence[str] | None = None, columns: Sequence[str] | None = None
    ) -> pd.DataFrame:
        rows = self._view.read(table, sites, columns)
        return rows.iloc[:0] if table in MADE else rows

    def codes(self, table: str, columns: Sequence[str], sites: Sequence[str] | None = None) -> set[tuple[str, ...]]:
        # later codes may only show twins where there were none yet, and their commits are then left out
        return self._rows.codes(table, columns, LAST, sites)

    def related(self, sites: Sequence[str]) -> list[str]:
        return sorted(sites)

    def names(self, table: str) -> list[str]:
        return self._view.names(table)

    def key(self, table: str) -> list[str]:
        return self._view.key(table)


def together(rows: EveryRow, several: Several) -> tuple[dict[str, pd.DataFrame], list[int]]:
    """Make the rows of commits side by side.

    Parameters
    ----------
    rows : EveryRow
    several : Several
        By one policy, which none of them changes; before each, ``THE_SAME`` had the same rows. No other commit of the
        archive took one of their deposits.

    Returns
    -------
    dict of str to DataFrame
        Rows of all by archive table, as ``prepare`` makes them for each.
    list of int
        Numbers of the commits of which rows were made; the others do not fit.
    """
    view = _Registers(rows, rows.before(several.contexts[0].recorded_at))
    while several.contexts:
        fit = _fitted(rows, view, several)
        if not isinstance(fit, set):
            return _made(rows, view, several, *fit), [context.number for context in several.contexts]
        several = several.without(fit)
    return {}, []


def _fitted(rows: EveryRow, view: AtCommit, several: Several) -> set[int] | tuple[Understood, Batch, pd.DataFrame]:
    """Decide what becomes of all gaugings at once, or name the places of commits that do not fit."""
    owners, handed_in = several.owners(), several.understood
    other = [
        part["deposit"] for name, part in handed_in.tables.items() if name not in (*TAKEN, *REPEATED) and len(part)
    ]
    if other:
        return {owners[digest] for part in other for digest in part}
    understood = referred(
        view, [one for some in several.deposits for one in some], handed_in, several.contexts[0].rules
    )
    strange = [understood.problems["deposit"].iloc[len(handed_in.problems) :]]
    strange += [register(view, name, understood, several.contexts[0].rules)["deposit"] for name in REPEATED]
    batch, outcomes, _ = decided(view, numbered(understood))
    known = _since(outcomes["gauging_id"], rows.first_known) < _moments(several, outcomes["deposit"])
    strange.append(outcomes.loc[known | (outcomes["action"] != "new"), "deposit"])
    for part in _at_sites(understood):
        linked = _since(part["site"], rows.first_linked) < _moments(several, part["deposit"])
        strange.append(part.loc[linked, "deposit"])
    out = {owners[digest] for part in strange for digest in part}
    return out or (understood, batch, outcomes)


def _at_sites(understood: Understood) -> Iterator[pd.DataFrame]:
    return (understood.tables[name] for name in ("gaugings", "gauge_heights"))


def _since(names: pd.Series, first: Mapping[str, pd.Timestamp]) -> pd.Series:
    """Return since when each thing is known; missing for one that never was."""
    return pd.Series([first.get(name, pd.NaT) for name in names], index=names.index, dtype="datetime64[us, UTC]")


def _moments(several: Several, deposits: pd.Series) -> pd.Series:
    """Return the moment of the commit of each deposit named."""
    moments = [pd.Timestamp(context.recorded_at).as_unit("us") for context in several.contexts]
    of_deposit = {one.digest: moments[i] for i, some in enumerate(several.deposits) for one in some}
    return pd.Series([of_deposit[digest] for digest in deposits], index=deposits.index, dtype="datetime64[us, UTC]")


def _made(
    rows: EveryRow, view: AtCommit, several: Several, understood: Understood, batch: Batch, outcomes: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    context, owners = several.contexts[0], several.owners()
    incoming = understood.tables["gauge_heights"]
    worlds = _Worlds(rows, several, understood)
    own = apart(incoming, worlds.of(incoming["deposit"]), ("site",))
    known = worlds.heights(batch.gaugings, incoming, context.policy.settings().gauge_height_window_s)
    fresh = new_rows(own, known, key_names(ARCHIVE_TABLES["gauge_heights"]))
    checks, instruments = no_checks(view), view.standing("instruments")
    surroundings = Surroundings(
        heights=added("gauge_heights", standing_rows("gauge_heights", known), own),
        calibrations=view.standing("calibrations"),
        sites=view.standing("sites", worlds.sites),
        instruments=instruments,
        history=worlds.history(),
        ties=checks.ties(batch.gaugings, context.policy, instruments),
        world=worlds.of(batch.gaugings["deposit"]),
    )
    tables = joined([part.tables for part in computed_parts(batch, surroundings, context)])
    tables["gauge_heights"] = joined_again(fresh, ("site",))
    deposits = [one for some in several.deposits for one in some]
    of_commit = [several.contexts[owners[one.digest]] for one in deposits]
    tables["deposits"] = deposit_rows(deposits, outcomes, understood.problems, context).assign(
        by=[one.by for one in of_commit], commit=[one.number for one in of_commit]
    )
    out = {name: finished(name, part, context) for name, part in tables.items() if len(part)}
    return {name: part.assign(recorded_at=_moments(several, part["deposit"])) for name, part in out.items()}


class _Worlds:
    """What stood at the sites of each commit before it, in rows whose codes name the commit."""

    def __init__(self, rows: EveryRow, several: Several, understood: Understood) -> None:
        self._rows = rows
        self._owners = several.owners()
        named = pd.concat([part[["deposit", "site"]] for part in _at_sites(understood)]).drop_duplicates()
        self._sites: list[set[str]] = [set() for _ in several.contexts]
        for world, site in zip(self.of(named["deposit"]).tolist(), named["site"], strict=True):
            self._sites[world].add(site)
        self._moments = [pd.Timestamp(context.recorded_at) for context in several.contexts]
        self.sites = sorted(set(named["site"]))

    def of(self, deposits: pd.Series) -> Ints:
        """Return the world of each row, by its deposit: the place of the commit."""
        return np.array([self._owners[digest] for digest in deposits], dtype=np.int64)

    def history(self) -> pd.DataFrame:
        """Return the gaugings that stood before each commit at its sites, with what checks look at."""
        rows = self._rows.rows("gaugings", max(self._moments), self.sites)
        rows = rows[[name for name in rows.columns if name in (*SEEN, "revision", "status", "recorded_at")]]
        return standing_rows("gaugings", self._before(rows))

    def heights(self, gaugings: pd.DataFrame, incoming: pd.DataFrame, window_s: float) -> pd.DataFrame:
        """Return the readings of the gauge recorded before each commit at its sites, as far as they can bear on it."""
        rows = self._rows.rows("gauge_heights", max(self._moments), self.sites)
        margin = round(window_s * 1e6)
        of_gauging, of_reading = self.of(gaugings["deposit"]), self.of(incoming["deposit"])
        read_at = microseconds(incoming["read_at"])
        low, high = np.full(len(self._moments), np.iinfo(np.int64).max), np.full(len(self._moments), NO_TIME)
        np.minimum.at(low, of_gauging, microseconds(gaugings["started_at"]) - margin)
        np.maximum.at(high, of_gauging, microseconds(gaugings["ended_at"]) + margin)
        np.minimum.at(low, of_reading, read_at)
        np.maximum.at(high, of_reading, read_at)
        at = microseconds(rows["read_at"])
        return self._before(rows, lambda world, place: place[(at[place] >= low[world]) & (at[place] <= high[world])])

    def _before(self, rows: pd.DataFrame, near: Callable[[int, Ints], Ints] = lambda _, place: place) -> pd.DataFrame:
        """Give each world its copy of the rows of its sites recorded before it, in the order recorded."""
        of_site = {str(site): np.asarray(places) for site, places in rows.groupby("site", sort=False).indices.items()}
        recorded = rows["recorded_at"].array.asi8
        moments = pd.DatetimeIndex(self._moments).as_unit(rows["recorded_at"].dt.unit).asi8
        nowhere = np.zeros(0, dtype=np.int64)
        places, worlds = [nowhere], [nowhere]
        for world, sites in enumerate(self._sites):
            mine = np.sort(np.concatenate([nowhere, *(of_site[site] for site in sites & of_site.keys())]))
            mine = near(world, mine[: int(np.searchsorted(recorded[mine], moments[world]))])
            places.append(mine)
            worlds.append(np.full(mine.size, world))
        rows_before = rows.iloc[np.concatenate(places)].reset_index(drop=True)
        return apart(rows_before, np.concatenate(worlds), [name for name in APART if name in rows_before])
