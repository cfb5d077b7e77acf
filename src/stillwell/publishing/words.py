"""What publishing tells whoever called for it; unlike the bag it names the sites left out."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from stillwell.publishing.bag import one_line
from stillwell.publishing.publish import Published


def published_text(bag: Published) -> str:
    """Say what was published and what stayed behind, a line each.

    Parameters
    ----------
    bag : Published

    Returns
    -------
    str
        Ends with a line end.
    """
    left = bag.left_out
    lines = [
        f"{bag.path}: {bag.gaugings} gaugings at {len(bag.sites)} sites, public on {bag.day.isoformat()}",
        f"files: {bag.files}, {bag.size} bytes; BagIt 1.0, sha256 and sha512",
        f"name: urn:stillwell:dataset:{bag.dataset} (no DOI; identifiers in data/datacite.json are left to you)",
        f"left out: {left.gaugings} gaugings",
        _left("closed", left.closed_gaugings, bag.closed),
        _left("embargoed", left.embargoed_gaugings, bag.embargoed),
        f"  withdrawn: {left.withdrawn_gaugings}",
    ]
    if bag.stood:
        lines.insert(1, "it was there already, byte for byte; nothing was written")
    for name in bag.cut_short:
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


def published_document(bag: Published) -> dict[str, Any]:
    """Lay the same out for programs, by key.

    Parameters
    ----------
    bag : Published

    Returns
    -------
    dict
        The fields of ``Published``; ``left_out`` counts what stayed behind, ``name`` is the name of the data set.
    """
    left = asdict(bag.left_out) | {"gaugings": bag.left_out.gaugings}
    return asdict(bag) | {"name": f"urn:stillwell:dataset:{bag.dataset}", "left_out": left}


def _left(word: str, gaugings: int, sites: tuple[str, ...]) -> str:
    return f"  {word}: {gaugings}" + (f" at {', '.join(sites)}" if sites else "")
