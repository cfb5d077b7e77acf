"""Within which limit a standard uncertainty lies: the least of 2, 5 and 8 percent that it does not exceed."""

import numpy as np
import pandas as pd
import pytest

from stillwell.hydrometry.gauging.uncertainty_in_use import level_sentence, within_pct
from stillwell.number_words import within

NONE = np.nan


def _word(table=NONE, scatter=NONE, given=NONE, level=NONE):
    rows = pd.DataFrame(
        {
            "uncertainty_table_pct": [table],
            "uncertainty_scatter_pct": [scatter],
            "handed_in_uncertainty_pct": [given],
            "handed_in_uncertainty_level": [level],
        }
    )
    return within_pct(rows).iloc[0]


@pytest.mark.parametrize(
    ("expanded", "word"),
    [
        (0.01, "2"),
        (4.0, "2"),
        (4.001, "5"),
        (10.0, "5"),
        (10.001, "8"),
        (16.0, "8"),
        (16.001, "beyond"),
        (900.0, "beyond"),
    ],
)
def test_a_limit_holds_what_lies_on_it(expanded, word):
    """Half the expanded uncertainty (k = 2) is held against the limits; on a limit is within it."""
    assert _word(table=expanded) == word
    assert _word(scatter=expanded) == word


def test_the_larger_of_both_counts():
    """6 % and 12 % expanded are 3 % and 6 % standard: within 8."""
    assert _word(table=6.0, scatter=12.0) == "8"
    assert _word(table=12.0, scatter=6.0) == "8"


@pytest.mark.parametrize(("level", "word"), [(95.0, "2"), (90.0, "2"), (89.9, "5"), (68.0, "5"), (NONE, "5")])
def test_what_was_handed_in_serves_where_nothing_was_computed(level, word):
    """3 % is 1.5 % standard at a level of 90 % or more, 3 % at any other."""
    assert _word(given=3.0, level=level) == word


def test_what_was_computed_goes_before_what_was_handed_in():
    """A computed 20 % (10 % standard) is not made better by a handed-in 1 %."""
    assert _word(table=20.0, given=1.0, level=95.0) == "beyond"


@pytest.mark.parametrize("said", [{}, {"given": 0.0, "level": 95.0}, {"table": 0.0}])
def test_nothing_known_gives_no_word(said):
    """No percent, as at zero flow, and a 0 % that nobody can mean, are missing."""
    assert pd.isna(_word(**said))


def test_an_older_table_without_the_columns_handed_in_is_judged_by_the_others():
    """Rows of an archive that has no such columns."""
    rows = pd.DataFrame({"uncertainty_table_pct": [9.0, NONE], "uncertainty_scatter_pct": [NONE, NONE]}, index=[7, 3])
    words = within_pct(rows)
    assert words.index.tolist() == [7, 3]
    assert words[7] == "5"
    assert pd.isna(words[3])


def test_a_word_is_written_out():
    """Beyond names the last limit."""
    assert [within(word) for word in ("2", "5", "8", "beyond")] == [
        "within 2 %",
        "within 5 %",
        "within 8 %",
        "beyond 8 %",
    ]


def test_an_uncertainty_without_its_level_is_named_where_it_is_used():
    """Of six that came without a level five are named; not one that has a computed one, a level, or none above 0."""
    size = 9
    rows = pd.DataFrame({
        "gauging_id": [f"G{i}" for i in range(size)],
        "uncertainty_table_pct": np.nan,
        "uncertainty_scatter_pct": [5.0, *[np.nan] * 8],
        "handed_in_uncertainty_pct": [6.0, 6.0, 0.0, *[6.0] * 6],
        "handed_in_uncertainty_level": [np.nan, 95.0, *[np.nan] * 7],
    })  # fmt: skip
    assert level_sentence(rows).startswith("6 gaugings came")
    assert level_sentence(rows).endswith("(68 %): G3, G4, G5, G6, G7, ...")
    assert level_sentence(rows[3:4]).endswith(
        "1 gauging came with an uncertainty and no level: it is taken as one standard uncertainty (68 %): G3"
    )
    assert level_sentence(rows[:3]) == ""
