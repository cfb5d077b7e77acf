"""Checks of meters: each limit, the meter's own history, and what a check means for the gaugings around it."""

from __future__ import annotations

import pandas as pd
import pytest

from stillwell.assessment.health import assess_health, ties
from stillwell.pipeline import office_policy
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
