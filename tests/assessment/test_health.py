"""Checks of meters: each limit, the meter's own history, and what a check means for the gaugings around it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment import health as module
from stillwell.assessment.health import assess_health, ties
from stillwell.pipeline.committing import office_policy
from tests.making import frame

LIMITS = office_policy()[0].health_limits()


def _check(name="C1", day=1, receivers=2, samples=20, meter="M1", change=None, **said):
    """Make a check of twenty samples at 1 Hz, all receivers alike; ``change`` may alter a sample."""
    rows = []
    for s in range(samples):
        for r in range(1, receivers + 1):
            row = {
                "check": name,
                "instrument": meter,
                "checked_at": f"2025-05-{day:02d}T09:00Z",
                "place": "field",
                "sample": s + 1,
                "sample_s": float(s),
                "receiver": r,
                "snr_db": 30.0 + (s % 2),
                "noise_db": 40.0,
                "water_temperature_c": 12.0,
                "reference_temperature_c": 12.0,
            } | said
            rows.append(row | (change(s, r) if change else {}))
    return rows


def _judged(rows, history=()):
    mine = frame("checks", rows)
    health = assess_health(mine, LIMITS, pd.concat([mine, frame("checks", list(history))], ignore_index=True))
    row = health.verdicts.iloc[0]
    return row["verdict"], row["reasons"]


def test_a_healthy_check():
    """Twenty sound samples at 1 Hz on both receivers are healthy without a reason."""
    assert _judged(_check()) == ("healthy", "")


@pytest.mark.parametrize(
    ("rows", "verdict", "words"),
    [
        (_check(change=lambda s, r: {"snr_db": 3.0} if r == 2 else {}), "unfit", "receiver 2: signal-to-noise of 3.0"),
        (_check(snr_db=8.0), "watch", "receiver 1: signal-to-noise of 8.0 dB, 10 wanted"),
        (_check(change=lambda s, r: {"snr_db": 30 + 8 * (s % 2)}), "watch", "spread"),
        (_check(change=lambda s, r: {"snr_db": 30 + 4.0 * (s >= 10)}), "watch", "drift of 4.0 dB"),
        (_check(change=lambda s, r: {"snr_db": 37.0} if r == 1 else {}), "watch", "receivers 6.5 dB apart"),
        (_check(reference_temperature_c=14.1), "unfit", "thermometer off by -2.1 degrees"),
        (_check(samples=19), "watch", "19 samples, 20 wanted"),
        (_check(change=lambda s, r: {"sample_s": 3.0 * s}), "watch", "0.33 samples a second"),
        (_check(snr_db=None, noise_db=None), "watch", "no level was recorded"),
    ],
    ids=["receiver dead", "weak", "spread", "drift", "apart", "thermometer", "few", "slow", "nothing"],
)
def test_each_limit(rows, verdict, words):
    """Each limit gives its verdict, with the receiver and what was found."""
    found, reasons = _judged(rows)
    assert found == verdict
    assert words in reasons


@pytest.mark.parametrize(
    "said",
    [
        {"snr_db": 10.0},
        {"snr_db": 10.1, "noise_db": None},
        {"water_temperature_c": 14.3, "reference_temperature_c": 12.3},
        {"reference_temperature_c": None},
        {"sample_s": None},
        {"snr_db": None},
    ],
    ids=["signal", "rounded", "thermometer", "no reference", "no times", "noise alone"],
)
def test_on_the_limit_and_missing_quantities_are_healthy(said):
    """What just meets a limit meets it, however it is rounded in binary, and what was not recorded is not doubted."""
    rows = [row | said for row in _check(change=lambda s, r: {"snr_db": 30.0})]
    assert _judged(rows) == ("healthy", "")


def test_a_receiver_that_falls_silent():
    """A receiver without a level beside one that has them is to be watched, and so is one with gaps."""
    silent = {"snr_db": None, "noise_db": None}
    found, reasons = _judged(_check(change=lambda s, r: silent if r == 2 else {}))
    assert (found, reasons) == ("watch", "receiver 2: no level was recorded")
    found, reasons = _judged(_check(change=lambda s, r: silent if r == 2 and s >= 3 else {}))
    assert (found, reasons) == ("watch", "receiver 2: 3 samples, 20 wanted")


def test_figures_of_a_check():
    """Mean, spread, drift, rate and differences are those worked by hand."""
    rows = _check(samples=4, change=lambda s, r: {"snr_db": [20.0, 22.0, 30.0, 32.0][s] + 5 * (r == 2)})
    health = assess_health(frame("checks", rows), LIMITS, frame("checks", []))
    one = health.receivers.set_index("receiver").loc[1]
    assert (one["snr_db"], one["drift_db"], one["samples"]) == (26.0, 10.0, 4)
    # deviations from the median 26: 6 4 4 6, their median 5
    assert one["spread_db"] == pytest.approx(1.4826 * 5)
    check = health.checks.iloc[0]
    assert (check["samples"], check["rate_hz"], check["apart_db"], check["temperature_c"]) == (4, 1.0, 5.0, 0.0)
    assert health.reasons["unfit"].tolist() == [False] * len(health.reasons)


def test_each_check_is_judged_by_itself():
    """Checks judged together have the verdicts they have alone, in whatever order their rows come."""
    rows = [
        *_check("C1"),
        *_check("C2", day=2, snr_db=3.0),
        *_check("C3", day=3, meter="M2", samples=5),
        *_check("C4", day=4, receivers=1),
    ]
    mine = frame("checks", rows)
    turned = mine.sample(frac=1, random_state=1).reset_index(drop=True)
    found = [assess_health(f, LIMITS, f).verdicts.set_index("check")["verdict"].to_dict() for f in (mine, turned)]
    assert found[0] == {"C1": "healthy", "C2": "unfit", "C3": "watch", "C4": "healthy"}
    assert found[1] == found[0]


def test_no_checks_at_all():
    """Without a check there is no verdict and no warning."""
    health = assess_health(frame("checks", []), LIMITS, frame("checks", []))
    assert len(health.verdicts) == len(health.reasons) == 0


@pytest.mark.parametrize(("noise", "verdict"), [(42.4, "healthy"), (42.6, "watch")])
def test_a_meter_is_held_against_its_own_history(noise, verdict):
    """Five quiet checks make a history; five robust deviations from its median (2.5 dB at least) ask for watching."""
    earlier = [row for i in range(5) for row in _check(f"H{i}", day=i + 1)]
    found, reasons = _judged(_check(day=20, noise_db=noise), earlier)
    assert found == verdict
    assert ("40.0 in its own history" in reasons) == (verdict == "watch")
    assert _judged(_check(day=20, noise_db=noise), earlier[: 4 * 40])[0] == "healthy"
    other = [row | {"instrument": "M2"} for row in earlier]
    assert _judged(_check(day=20, noise_db=noise), other)[0] == "healthy"


@pytest.mark.parametrize(
    ("said", "place", "words"),
    [
        ({"snr_db": 26.0}, "field", "receiver 1: signal-to-noise of 26.0 dB, 30.5 in its own history of 5 checks"),
        ({"snr_db": 26.0}, "office", ""),
        ({"echo_db": 50.0}, "field", "receiver 2: echo level of 50.0 dB, 60.0 in its own history"),
        ({"echo_db": 50.0}, "office", ""),
        ({"noise_db": 45.0}, "office", "receiver 1: noise level of 45.0 dB, 40.0 in its own history"),
        ({"water_temperature_c": 13.2}, "office", "thermometer off by +1.2 degrees, 0.0 in its own history"),
        ({"water_temperature_c": 13.0}, "office", ""),
    ],
)
def test_what_the_water_scatters_is_compared_place_by_place(said, place, words):
    """Signal and echo of the office are not held against those of the field; noise and the thermometer are."""
    earlier = [row for i in range(5) for row in _check(f"H{i}", day=i + 1, echo_db=60.0)]
    steady = {"echo_db": 60.0, "place": place} | said
    found, reasons = _judged([row | steady for row in _check(day=20)], earlier)
    assert found == ("watch" if words else "healthy")
    assert words in reasons


def test_a_history_as_wide_as_it_was():
    """Earlier checks that scattered allow as much again: k times 1.4826 times their median deviation."""
    levels = [36.0, 38.0, 40.0, 42.0, 44.0]
    earlier = [row for i, level in enumerate(levels) for row in _check(f"H{i}", day=i + 1, noise_db=level)]
    # deviations from 40: 4 2 0 2 4, median 2; 5 * 1.4826 * 2 = 14.826
    assert _judged(_check(day=20, noise_db=54.8), earlier)[0] == "healthy"
    found, reasons = _judged(_check(day=20, noise_db=54.9), earlier)
    assert found == "watch"
    assert "14.8 from it allowed" in reasons


def test_only_earlier_checks_are_history():
    """Checks of the same moment or later say nothing about a check."""
    later = [row for i in range(9) for row in _check(f"H{i}", day=20 + i)]
    assert _judged(_check(day=20, noise_db=60.0), later)[0] == "healthy"


def test_long_histories_go_by_blocks(monkeypatch):
    """Verdicts do not depend on how many checks are compared at a time; one that changed stands out from its past."""
    levels = 40 + np.random.default_rng(4).normal(0, 0.3, 28)
    levels[20:] += 10
    rows = [row for i in range(28) for row in _check(f"C{i:02d}", day=i + 1, samples=20, noise_db=float(levels[i]))]
    mine = frame("checks", rows)
    whole = assess_health(mine, LIMITS, mine).verdicts
    assert whole["verdict"].tolist()[:21] == ["healthy"] * 20 + ["watch"]
    monkeypatch.setattr(module, "BLOCK", 3)
    assert assess_health(mine, LIMITS, mine).verdicts.equals(whole)


def _tied(days, verdicts, meter="M1"):
    gaugings = pd.DataFrame(
        {
            "gauging_id": [f"G{d}" for d in days],
            "instrument": pd.Series([meter] * len(days), dtype="str"),
            "started_at": pd.to_datetime([f"2025-05-{d:02d}T12:00Z" for d in days], utc=True).as_unit("us"),
            "ended_at": pd.to_datetime([f"2025-05-{d:02d}T13:00Z" for d in days], utc=True).as_unit("us"),
        }
    )
    checks = pd.DataFrame(
        {
            "check": pd.Series([f"C{d}" for d, _ in verdicts], dtype="str"),
            "instrument": pd.Series(["M1"] * len(verdicts), dtype="str"),
            "checked_at": pd.to_datetime([f"2025-05-{d:02d}T09:00Z" for d, _ in verdicts], utc=True).as_unit("us"),
            "verdict": pd.Series([v for _, v in verdicts], dtype="str"),
        }
    )
    return ties(gaugings, checks, days=5)


def test_an_unfit_check_reaches_back_to_the_last_healthy_one():
    """Gaugings between a healthy and an unfit check are suspect, those before the healthy one are not."""
    tied = _tied([2, 6, 9, 14], [(1, "healthy"), (5, "healthy"), (7, "watch"), (10, "unfit"), (15, "healthy")])
    # the one on the 14th was made with a meter found unfit before it
    assert tied["suspect_since_healthy"].tolist() == [False, True, True, True]
    assert tied["check_before"].tolist() == ["C1", "C5", "C7", "C10"]
    assert tied["check_after"].tolist() == ["C5", "C7", "C10", "C15"]
    assert tied["verdict_before"].tolist() == ["healthy", "healthy", "watch", "unfit"]


def test_a_check_is_wanted_within_the_offices_days():
    """Six days from the nearest check is too far where five are allowed; a meter never checked is not blamed."""
    tied = _tied([4, 10, 20], [(1, "healthy"), (14, "healthy")])
    assert tied["no_check_within"].tolist() == [False, False, True]
    assert tied["nearest_days"].tolist() == pytest.approx([3.125, 3.875, 6.125])
    assert not _tied([4], [(1, "unfit")], meter="M2")["suspect_since_healthy"].any()
    assert not _tied([4], [], meter="M1")["no_check_within"].any()


def test_a_meter_that_must_be_checked_and_never_was():
    """An acoustic meter never checked has no check within the days; a rotating one has none only if the office asks."""
    gaugings = pd.DataFrame(
        {
            "gauging_id": ["G1", "G2", "G3"],
            "instrument": pd.Series(["M1", "M2", None], dtype="str"),
            "started_at": pd.to_datetime(["2025-05-04T12:00Z"] * 3, utc=True).as_unit("us"),
            "ended_at": pd.to_datetime(["2025-05-04T13:00Z"] * 3, utc=True).as_unit("us"),
        }
    )
    none = pd.DataFrame(
        {
            "check": pd.Series([], dtype="str"),
            "instrument": pd.Series([], dtype="str"),
            "checked_at": pd.to_datetime([], utc=True).as_unit("us"),
            "verdict": pd.Series([], dtype="str"),
        }
    )
    kinds = pd.Series(["acoustic point", "rotating element", None], dtype="str")
    assert ties(gaugings, none, 5)["no_check_within"].tolist() == [False, False, False]
    found = ties(gaugings, none, 5, kinds)
    assert found["no_check_within"].tolist() == [True, False, False]
    assert found["nearest_days"].isna().all()
    assert not found["suspect_since_healthy"].any()
    asked = ("acoustic point", "rotating element")
    assert ties(gaugings, none, 5, kinds, asked)["no_check_within"].tolist() == [True, True, False]
    assert len(ties(gaugings.iloc[:0], none, 5, kinds.iloc[:0])) == 0


@pytest.mark.parametrize("order", [1, -1])
def test_of_checks_at_one_moment_the_worst_counts(order):
    """Two checks of one moment, one healthy and one unfit: unfit, on both sides and in whatever order they come."""
    tied = _tied([4, 6], [(5, "healthy"), (5, "unfit")][::order])
    assert tied["suspect_since_healthy"].tolist() == [True, True]
    assert (tied["verdict_after"][0], tied["verdict_before"][1]) == ("unfit", "unfit")


def test_a_check_during_a_gauging_comes_after_it():
    """A check made while gauging counts as the first after, one at the very start as the last before."""
    tied = ties(
        pd.DataFrame(
            {
                "gauging_id": ["G1", "G2"],
                "instrument": pd.Series(["M1", "M1"], dtype="str"),
                "started_at": pd.to_datetime(["2025-05-04T08:30Z", "2025-05-04T09:00Z"], utc=True).as_unit("us"),
                "ended_at": pd.to_datetime(["2025-05-04T09:30Z", "2025-05-04T10:00Z"], utc=True).as_unit("us"),
            }
        ),
        pd.DataFrame(
            {
                "check": pd.Series(["C1"], dtype="str"),
                "instrument": pd.Series(["M1"], dtype="str"),
                "checked_at": pd.to_datetime(["2025-05-04T09:00Z"], utc=True).as_unit("us"),
                "verdict": pd.Series(["unfit"], dtype="str"),
            }
        ),
        days=5,
    )
    assert tied["check_after"].notna().tolist() == [True, False]
    assert tied["check_before"].notna().tolist() == [False, True]
    assert tied["suspect_since_healthy"].tolist() == [True, True]


def test_where_the_samples_of_a_check_disagree_the_first_says():
    """Meter, moment and place of a check are those of its first sample, of the whole and of each receiver."""
    other = {"instrument": "M2", "checked_at": "2025-06-09T09:00Z", "place": "office"}
    rows = frame("checks", _check(change=lambda s, r: other if s > 3 else {}))
    health = assess_health(rows, LIMITS, rows)
    first = ["M1", pd.Timestamp("2025-05-01T09:00Z"), "field"]
    said = ["instrument", "checked_at", "place"]
    assert health.receivers[said].to_numpy().tolist() == [first, first]
    assert health.verdicts[said[:2]].to_numpy().tolist() == [first[:2]]
    assert list(health.verdicts.columns) == ["check", *said[:2], "verdict", "reasons"]


def test_a_check_with_too_few_samples_is_told_once():
    """Where every receiver has all of 19 samples the check is short, not its receivers."""
    assert _judged(_check(samples=19)) == ("watch", "19 samples, 20 wanted")


def test_a_receiver_with_as_many_samples_as_are_wanted_has_no_gap():
    """Of 21 samples one receiver has 20, which are enough, or 19, which are not."""
    none = {"snr_db": None, "noise_db": None}
    assert _judged(_check(samples=21, change=lambda s, r: none if (s, r) == (5, 2) else {})) == ("healthy", "")
    few = _judged(_check(samples=21, change=lambda s, r: none if r == 2 and s < 2 else {}))
    assert few == ("watch", "receiver 2: 19 samples, 20 wanted")


def test_samples_of_one_moment_have_no_rate():
    """Where no time passed between first and last nothing is said of samples a second."""
    rows = frame("checks", _check(change=lambda s, r: {"sample_s": 0.0}))
    health = assess_health(rows, LIMITS, rows)
    assert health.checks["rate_hz"].isna().all()
    assert health.verdicts["verdict"].tolist() == ["healthy"]


def test_receivers_stand_check_by_check():
    """In the order of their checks, and of each check by their numbers."""
    rows = frame("checks", [*_check("C2", samples=2), *_check("C1", day=2, samples=2)])
    health = assess_health(rows, LIMITS, rows)
    assert health.receivers[["check", "receiver"]].to_numpy().tolist() == [["C1", 1], ["C1", 2], ["C2", 1], ["C2", 2]]
