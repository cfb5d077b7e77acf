"""TOML as handed in, parsed within bounds: of a length, a depth and numbers that whatever reads on can hold."""

from __future__ import annotations

import tomllib
from typing import Any

from stillwell.intake.limits import LONGEST_TOML_LINE, MOST_TOML
from stillwell.intake.problem_collector import CannotRead

DEEPEST_TOML = 16
"""Tables inside tables: a policy has three levels and an intake map five."""
GREATEST_NUMBER = 1e15
"""Of a whole number: beyond it a double no longer tells two of them apart."""


def read_toml(text: str) -> dict[str, Any]:
    """Parse TOML.

    Parameters
    ----------
    text : str

    Returns
    -------
    dict

    Raises
    ------
    CannotRead
        If it is not TOML, too long, too deep, or holds a whole number that no limit can be.
    """
    if len(text) > MOST_TOML:
        raise CannotRead(f"TOML of at most {MOST_TOML} characters", str(len(text)))
    for number, row in enumerate(text.splitlines(), 1):
        if len(row) > LONGEST_TOML_LINE:
            raise CannotRead(f"lines of at most {LONGEST_TOML_LINE} characters", f"{len(row)}, line {number}", number)
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # a whole number of thousands of digits is a ValueError that is no TOMLDecodeError
        raise CannotRead("TOML", str(error)) from error
    _check(document)
    return document


def _check(document: dict[str, Any]) -> None:
    level: list[Any] = [document]
    for _ in range(DEEPEST_TOML):
        inner: list[Any] = []
        for value in level:
            inner += value.values() if isinstance(value, dict) else value
        for value in inner:
            if isinstance(value, int) and abs(value) > GREATEST_NUMBER:
                raise CannotRead(f"whole numbers of at most {GREATEST_NUMBER:.0e}", f"one of {value.bit_length()} bits")
        level = [value for value in inner if isinstance(value, dict | list)]
        if not level:
            return
    raise CannotRead(f"at most {DEEPEST_TOML} tables inside each other", "more")
