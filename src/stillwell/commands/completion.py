"""What the shell proposes while a command is typed: words, codes of sites, ids of gaugings.

Nothing here may take longer than a person notices, so folders and provenance are looked at, not tables.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import unquote

import typer

from stillwell.commands.next_steps import VARIABLE, default_archive

Proposals = Callable[[typer.Context, str], list[str]]

WORDS = {
    "what": ("gaugings", "sites", "instruments", "checks", "deposits", "commits"),
    "step": ("values", "daily", "monthly", "water-years", "duration", "seven-day", "maximum", "visits", "corrections"),
    "way": ("by gauging", "by time", "by stage"),
    "decision": ("approved", "provisional", "withdrawn", "included", "excluded"),
    "units": ("metric", "feet"),
}
"""Closed lists, said again here because the rooms that own them take a second to import; a test compares them."""

MOST_READ = 4 * 2**20
"""Bytes of provenance looked through for ids, the newest first."""
_GAUGING = re.compile(rb'"gauging:([^"/]+)/\d+"')


def words(name: str) -> Proposals:
    """Propose the words of a closed list that begin as typed."""

    def proposed(context: typer.Context, incomplete: str) -> list[str]:
        return _begin_so(WORDS[name], incomplete)

    return proposed


def sites(context: typer.Context, incomplete: str) -> list[str]:
    """Propose codes of sites."""
    return _begin_so(site_codes(_archive(context)), incomplete)


def gaugings(context: typer.Context, incomplete: str) -> list[str]:
    """Propose archive ids of gaugings."""
    return _begin_so(gauging_ids(_archive(context)), incomplete)


def traced(context: typer.Context, incomplete: str) -> list[str]:
    """Propose gaugings, and sites, whose days are traced."""
    root = _archive(context)
    return _begin_so([*site_codes(root), *gauging_ids(root)], incomplete)


def reported(context: typer.Context, incomplete: str) -> list[str]:
    """Propose gaugings, and sites as a report names them."""
    root = _archive(context)
    return _begin_so([*(f"site:{site}" for site in site_codes(root)), *gauging_ids(root)], incomplete)


def site_codes(root: Path) -> list[str]:
    """Read the codes of the sites off the folders of the tables; a code too long for a folder is left out."""
    names = set[str]()
    for table in _in(root / "tables"):
        names |= {folder.name.removeprefix("site=") for folder in _in(table) if folder.name.startswith("site=")}
    return sorted(unquote(name) for name in names if "~" not in name)


def gauging_ids(root: Path) -> list[str]:
    """Read the ids of gaugings from the newest provenance documents."""
    ids: set[str] = set()
    left = MOST_READ
    for path in sorted(_in(root / "provenance"), key=lambda path: path.name, reverse=True):
        left -= path.stat().st_size
        if left < 0:
            break
        ids |= {unquote(name.decode("utf-8")) for name in _GAUGING.findall(path.read_bytes())}
    return sorted(ids)


def _archive(context: typer.Context) -> Path:
    named = context.params.get("archive") or context.find_root().params.get("archive")
    return Path(named or os.environ.get(VARIABLE) or default_archive())


def _in(folder: Path) -> Iterator[Path]:
    return folder.iterdir() if folder.is_dir() else iter(())


def _begin_so(known: list[str] | tuple[str, ...], incomplete: str) -> list[str]:
    return [one for one in known if one.startswith(incomplete)]
