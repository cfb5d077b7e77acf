"""What another policy would change, as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import pyarrow as pa


class ChangeLike(Protocol):
    """What would become of one gauging."""

    @property
    def gauging_id(self) -> str:
        """Archive id."""

    @property
    def before_m3_s(self) -> float:
        """Discharge as it stands."""

    @property
    def after_m3_s(self) -> float:
        """Discharge under the other policy."""

    @property
    def quality_before(self) -> str:
        """Quality as it stands."""

    @property
    def quality_after(self) -> str:
        """Quality under the other policy."""

    @property
    def gained(self) -> tuple[str, ...]:
        """Codes of findings that would be new."""

    @property
    def lost(self) -> tuple[str, ...]:
        """Codes of findings that would go."""


def changes_table(changes: Sequence[ChangeLike]) -> pa.Table:
    """Lay changes out, one row per gauging."""
    return pa.table(
        {
            "gauging_id": pa.array([c.gauging_id for c in changes], pa.string()),
            "discharge_m3_s": pa.array([c.before_m3_s for c in changes], pa.float64()),
            "would_be_m3_s": pa.array([c.after_m3_s for c in changes], pa.float64()),
            "quality": pa.array([c.quality_before for c in changes], pa.string()),
            "quality_would_be": pa.array([c.quality_after for c in changes], pa.string()),
            "findings_gained": pa.array([" ".join(c.gained) for c in changes], pa.string()),
            "findings_lost": pa.array([" ".join(c.lost) for c in changes], pa.string()),
        }
    )


def changes_words(changes: Sequence[ChangeLike]) -> str:
    """Say how many gaugings would get another revision, and how to adopt the policy."""
    count = len(changes)
    if not count:
        return "nothing would change"
    gaugings = "1 gauging" if count == 1 else f"{count} gaugings"
    return f"{gaugings} would get another revision; `stillwell ingest` the policy file to adopt it"
