"""Numbers of things in words."""

from __future__ import annotations


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
