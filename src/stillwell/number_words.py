"""Numbers of things in words."""

from __future__ import annotations

from collections.abc import Sequence


def counted(count: int, thing: str, things: str = "") -> str:
    """Write a number with the noun it counts.

    Parameters
    ----------
    count : int
    thing : str
        The noun in the singular.
    things : str
        The plural, where it is not the singular with an s.

    Returns
    -------
    str
        Such as ``1 row`` or ``2,500 rows``; thousands are parted by commas.
    """
    return f"{count:,} {thing if count == 1 else things or f'{thing}s'}"


def numbered(thing: str, numbers: Sequence[int]) -> str:
    """Name things by their numbers, such as ``commit 5`` or ``commits 5, 6``."""
    return f"{thing}{'s' * (len(numbers) > 1)} {', '.join(map(str, numbers))}"


def within(word: str) -> str:
    """Write out a word of ``within_pct``: ``within 5 %``, or beyond the last limit ``beyond 8 %``."""
    from stillwell.schemas.words import WITHIN_PCT

    return f"within {word} %" if word != WITHIN_PCT[-1] else f"{word} {WITHIN_PCT[-2]} %"
