"""How values are written on a page: escaped whatever they hold, and in words where they are missing."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from stillwell.pages import formats
from stillwell.pages.templating import environment

HOSTILE = "<script>alert(1)</script>\"'&<b>\u202e"
NUMBERS = (formats.number, formats.given, formats.signed)


@pytest.mark.parametrize("missing", [None, np.nan, pd.NA, float("nan")])
def test_what_is_missing_is_said_in_words(missing):
    """No filter writes nan, None or NA; what no filter wrote is left out."""
    assert {str(write(missing)) for write in (*NUMBERS, formats.label)} == {formats.NONE}
    assert formats.when(pd.NaT) == formats.when(None) == formats.NONE
    assert formats.shown(missing) == ""


@pytest.mark.parametrize(
    ("written", "text"),
    [
        (formats.number(0.46199), "0.4620"),
        (formats.number(12), "12"),
        (formats.number(3.14159, 2), "3.1"),
        (formats.given(0.1), "0.1"),
        (formats.signed(-2.55001), "-2.6"),
        (formats.when(pd.Timestamp("2025-05-01T10:30+02:00")), "2025-05-01 08:30"),
        (formats.day(pd.Timestamp("2025-05-01T01:30+02:00")), "2025-04-30"),
    ],
)
def test_numbers_are_rounded_for_the_eye_and_times_are_utc(written, text):
    """Four figures unless said otherwise, a tenth of a percent with its sign, times moved to UTC (by hand)."""
    assert re.sub("<[^>]+>", "", written) == text


def test_a_number_keeps_all_its_digits_as_a_title():
    """What is rounded stands whole beside it."""
    assert 'title="0.46199"' in formats.number(0.46199)


@pytest.mark.parametrize("linked", [False, True])
def test_every_way_of_writing_a_text_escapes_it(linked):
    """A label, a bare value, the content of a link and its address hold no markup and no mark of direction."""
    template = "{{ text|label }} {{ text }} {{ link(names.site(text), text|label) }} {{ source(row) }}"
    row = {"deposit": HOSTILE, "row_file": HOSTILE, "row_line": 1}
    made = environment("stillwell.reporting", linked=linked).from_string(template).render(text=HOSTILE, row=row)
    assert set(re.findall(r"</?(\w+)", made)) == ({"bdi", "a"} if linked else {"bdi"})
    assert "\u202e" not in made
    assert made.count("\\u202e") == 4
    assert ("href" in made) == linked
