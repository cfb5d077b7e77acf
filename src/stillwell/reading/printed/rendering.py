"""What a rendering of NetCDF files came to: in words, and for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from stillwell.number_words import numbered


class RenderedLike(Protocol):
    """What came of a rendering, or of several."""

    @property
    def entry(self) -> Any:
        """Entry of the commit, or None."""

    @property
    def files(self) -> Sequence[str]:
        """Paths rendered."""

    @property
    def struck(self) -> Sequence[str]:
        """Paths no longer listed."""

    @property
    def dropped(self) -> Sequence[str]:
        """Paths made in vain, since their inputs changed meanwhile."""

    @property
    def locked(self) -> bool:
        """Whether another writer was at work for too long."""

    @property
    def later(self) -> bool:
        """Whether rendering was left for later, as was asked."""


def rendered_line(rendered: Sequence[RenderedLike]) -> str:
    """Say in one line what was rendered after commits; empty where nothing was to be rendered."""
    parts = []
    if numbers := [one.entry.number for one in rendered if one.entry is not None]:
        parts.append(f"NetCDF: {_counts(rendered)} in {numbered('commit', numbers)}")
    if any(one.locked for one in rendered):
        parts.append("another writer was at work: NetCDF is behind, `stillwell render` finishes it")
    elif any(one.later for one in rendered):
        parts.append("NetCDF is behind, as was asked: `stillwell render` finishes it")
    elif any(one.dropped for one in rendered):
        parts.append("some files are behind again, `stillwell render` finishes them")
    return "".join(f"{line}\n" for line in ["; ".join(parts)] if line)


def rendered_words(rendered: RenderedLike) -> str:
    """Say how many files were rendered, struck and dropped."""
    if rendered.entry is None and not rendered.dropped:
        return "nothing was behind: every NetCDF file is what its rows make\n"
    counts = _counts([rendered])
    where = f"commit {rendered.entry.number}: " if rendered.entry is not None else "nothing was listed: "
    dropped = f", {len(rendered.dropped)} dropped, since their rows changed meanwhile" if rendered.dropped else ""
    return f"{where}{counts}{dropped}\n"


def rendered_document(rendered: RenderedLike) -> dict[str, Any]:
    """Lay out ``commit``, and the paths ``rendered``, ``struck`` and ``dropped``."""
    return {
        "commit": rendered.entry.number if rendered.entry is not None else None,
        "rendered": list(rendered.files),
        "struck": list(rendered.struck),
        "dropped": list(rendered.dropped),
    }


def rendered_after(rendered: Sequence[RenderedLike]) -> dict[str, Any]:
    """Lay out what was rendered after commits: ``commits``, counts of ``files`` and ``struck``, ``behind``."""
    return {
        "commits": [one.entry.number for one in rendered if one.entry is not None],
        "files": sum(len(one.files) for one in rendered),
        "struck": sum(len(one.struck) for one in rendered),
        "behind": any(one.locked or one.later or one.dropped for one in rendered),
    }


def _counts(rendered: Sequence[RenderedLike]) -> str:
    files, struck = sum(len(one.files) for one in rendered), sum(len(one.struck) for one in rendered)
    return f"{files} file{'s' * (files != 1)} rendered" + (f", {struck} struck" if struck else "")
