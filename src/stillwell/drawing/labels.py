"""Labels beside marks, where they touch no other mark and no other label. Pure: places in, places out."""

from __future__ import annotations

from collections.abc import Sequence

LETTER = 6.9
"""Width taken by a letter, px."""
LONGEST = 18


def shortened(label: str) -> str:
    """Cut a label to what is written beside a mark."""
    return label if len(label) <= LONGEST else label[: LONGEST - 1] + "…"


def placed(
    marks: Sequence[tuple[float, float, str]], frame: tuple[float, float, float, float], own: float = 5.0
) -> list[tuple[float, float, str]]:
    """Find a free place for the label of each mark, if there is one.

    Parameters
    ----------
    marks : sequence of (x, y, label)
        The first ones find their place first.
    frame : (left, top, right, foot)
        In which labels must stand.
    own : float
        Half the size of a mark, px.

    Returns
    -------
    list of (x, y, text)
        Left end and foot of each label that found a place.
    """
    taken = [(x - own, y - own, x + own, y + own) for x, y, _ in marks]
    out = []
    for x, y, label in marks:
        text = shortened(label)
        wide = LETTER * len(text)
        for left, foot in ((x + 9, y - 6), (x - 9 - wide, y - 6), (x + 9, y + 16), (x - 9 - wide, y + 16)):
            mine = (left, foot - 10, left + wide, foot + 2)
            free = all(mine[2] < t[0] or mine[0] > t[2] or mine[3] < t[1] or mine[1] > t[3] for t in taken)
            if free and mine[0] > frame[0] and mine[2] < frame[2] and mine[1] > frame[1] and mine[3] < frame[3]:
                out.append((left, foot, text))
                taken.append(mine)
                break
    return out
