"""What publishing tells whoever called for it; unlike the bag it names the sites left out."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from stillwell.publishing.bag import one_line
from stillwell.publishing.publish import Published


def published_text(told: Published) -> str:
    """Say what was published and what stayed behind, a line each.

    Parameters
    ----------
    told : Published

    Returns
    -------
    str
        Ends with a line end.
    """
    left = told.left_out
    lines = [
        f"{told.path}: {told.gaugings} gaugings at {len(told.sites)} sites, public on {told.day.isoformat()}",
        f"files: {told.files}, {told.size} bytes; BagIt 1.0, sha256 and sha512",
        f"name: urn:stillwell:dataset:{told.dataset} (no DOI; identifiers in data/datacite.json are left to you)",
        f"left out: {left.gaugings} gaugings",
        _left("closed", left.closed_gaugings, told.closed),
        _left("embargoed", left.embargoed_gaugings, told.embargoed),
        f"  withdrawn: {left.withdrawn_gaugings}",
    ]
    if told.stood:
        lines.insert(1, "it was there already, byte for byte; nothing was written")
    for name in told.cut_short:
        lines.append(
            f"beside it lies {name}, which a publication left that was cut short: remove it, or publish there again"
        )
    if left.waiting_revisions:
        lines.append(f"newer revisions that wait for a review: {left.waiting_revisions}")
    if left.codes_withheld:
        lines.append(f'cells that did not look like a code and now say "withheld": {left.codes_withheld}')
    if left.tables:
        lines.append(f"tables of which nothing can be told to be public: {', '.join(left.tables)}")
    lines.append(f"columns left out because people write freely in them: {', '.join(left.columns)}")
    return "\n".join(one_line(line) if not line.startswith(" ") else "  " + one_line(line) for line in lines) + "\n"


def published_document(told: Published) -> dict[str, Any]:
    """Lay the same out for programs, by key.

    Parameters
    ----------
    told : Published

    Returns
    -------
    dict
        The fields of ``Published``; ``left_out`` counts what stayed behind, ``name`` is the name of the data set.
    """
    left = asdict(told.left_out) | {"gaugings": told.left_out.gaugings}
    return asdict(told) | {"name": f"urn:stillwell:dataset:{told.dataset}", "left_out": left}


def _left(word: str, gaugings: int, sites: tuple[str, ...]) -> str:
    return f"  {word}: {gaugings}" + (f" at {', '.join(sites)}" if sites else "")
