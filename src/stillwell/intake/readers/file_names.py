"""Names a deposit may carry: of itself, of its files, of paths inside it. Judges characters and length, not meaning."""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from stillwell.intake.limits import DEEPEST, LONGEST_PATH

CONTROLS = "\\x00-\\x1f\\x7f-\\x9f\u2028\u2029\ud800-\udfff"
"""Characters that a terminal acts on, that end a line, or that are half a character."""
DIRECTIONS = "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"
"""Marks that change the direction of writing, so that a name is not read as it is spelled."""
UNSEEN = "\u00ad\u200b\u2060-\u2065\u206a-\u206f\ufeff"
"""Characters that take no room, so that two names look the same."""
_STRANGE = re.compile(f"[{CONTROLS}{DIRECTIONS}{UNSEEN}]")


def name_fault(path: str) -> str:
    """Say what is wrong with the name of a file or its path inside a deposit.

    Parameters
    ----------
    path : str

    Returns
    -------
    str
        What was found, empty where nothing is wrong. Whether a path climbs is not asked here.
    """
    strange = _STRANGE.search(path)
    if strange:
        return f"the character U+{ord(strange[0]):04X}"
    if len(path.encode("utf-8")) > LONGEST_PATH:
        return f"{len(path.encode('utf-8'))} bytes, more than {LONGEST_PATH}"
    if len(PurePosixPath(path).parts) > DEEPEST:
        return f"{len(PurePosixPath(path).parts)} folders inside each other, more than {DEEPEST}"
    return ""


def label_shown(label: object) -> object:
    """Spell out what does not show in a label that could not be taken, so that it can be printed."""
    if not isinstance(label, str):
        return label
    return _STRANGE.sub(lambda match: f"U+{ord(match[0]):04X}", label[:LONGEST_PATH])
