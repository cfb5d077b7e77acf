"""What a commit is prepared against, and what it comes to."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import pandas as pd

from stillwell.archive.at_commit import AtCommit
from stillwell.assessment.policy import Policy
from stillwell.shared_types import RULES


class Standing(Protocol):
    """Whatever can give the rows that stand."""

    def standing(self, table: str, sites: Sequence[str] | None = None) -> pd.DataFrame:
        """Return the rows that stand."""
        ...


class SpanView(AtCommit):
    """An archive as it stands, of which the rows of a series can be read from a moment on."""

    @abstractmethod
    def since(self, table: str, site: str, moment: datetime) -> pd.DataFrame:
        """Return the rows of every revision of a series at a site whose moment is this one or a later one."""

    @abstractmethod
    def recorded_after(self, table: str, site: str, number: int, moment: datetime) -> pd.DataFrame:
        """Return the rows of a table and site that were recorded after a commit, by its number and moment."""


@dataclass(frozen=True)
class CommitContext:
    """Who, when, and by what rules: all that a commit depends on beside the deposits and the archive."""

    number: int
    recorded_at: datetime
    by: str
    software_version: str
    policy: Policy
    policy_digest: str
    policy_before: str
    """Digest of the policy that held before this commit."""
    intake_map: str = ""
    """Digest of the intake map the commit's deposits were read with."""
    rules: int = RULES
    """By which rules rows are made; see ``shared_types.RULES``."""


@dataclass(frozen=True)
class Prepared:
    """The rows of one commit, what became of each gauging, and why something is returned."""

    tables: Mapping[str, pd.DataFrame]
    outcomes: pd.DataFrame
    problems: pd.DataFrame
    notes: pd.DataFrame
