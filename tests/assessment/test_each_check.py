"""Both sides of every limit: what lies on it is left alone, what lies beyond is found, what is missing never is."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from stillwell.assessment import checks_points, checks_season, checks_section
from stillwell.assessment.evidence import seen
from tests import making

NAN = np.nan
PLAIN = {
    "gaugings": {},
    "results": {},
    "verticals": {"vertical": 1, "point": 0, "edge": False, "effective_depth_m": 1.0},
    "points": {"vertical": 1, "relative_depth": NAN, "repeat": 1},
}


def evidence(limits=None, **frames):
    """Make evidence of frames given as columns; each gauging, vertical and point is a row of its own unless said."""
    held = limits or {}
    made = {name: pd.DataFrame(columns) for name, columns in frames.items()}
    count = max(len(frame) for frame in made.values())
    for name, extra in PLAIN.items():
        frame = made.setdefault(name, pd.DataFrame(index=range(count)))
        plain = {"row_file": "f", "row_line": range(2, len(frame) + 2), "g": range(len(frame))}
        for column, value in (plain | extra).items():
            if column not in frame and not (column == "g" and not PLAIN[name]):
                frame[column] = value
    policy = SimpleNamespace(value=held.__getitem__, values=held.__getitem__)
    return SimpleNamespace(**{"policy": policy} | made)


def found(check, limits=None, **frames):
    """List the rows a check points at: by gauging where there is one row to each."""
    return check(evidence(limits, **frames))["g"].tolist()


@pytest.mark.parametrize(
    ("check", "limits", "column", "values", "expected"),
    [
        ("panel_share_high", {"share_high_pct": 10}, "share_pct", [9.99, 10, 10.01, NAN], [2]),
        ("panel_share_raised", {"share_high_pct": 10, "share_raised_pct": 5}, "share_pct",
         [5, 5.01, 10, 10.01, NAN], [1, 2]),
        ("velocity_interpolated", {}, "velocity_interpolated", [False, True], [1]),
    ],
)  # fmt: skip
def test_of_a_vertical(check, limits, column, values, expected):
    """A share up to the limit is allowed, one above both limits belongs to the higher."""
    frames = {"verticals": {column: values, "mean_velocity_m_s": 1.0}}
    assert found(getattr(checks_section, check), limits, **frames) == expected


def test_depth_times_velocity_is_counted_in_water_only():
    """One metre at one metre a second is the limit, in either direction; at an edge or without water nobody stands."""
    verticals = {
        "depth_m": 1.0, "mean_velocity_m_s": [1, 1.01, -1.01, 1.01, 1.01, NAN],
        "edge": [False, False, False, True, False, False], "effective_depth_m": [1, 1, 1, 1, 0, 1.0],
    }  # fmt: skip
    assert found(checks_section.wading_product, {"wading_product_m2_s": 1.0}, verticals=verticals) == [1, 2]


def test_a_wide_gap_between_verticals_counts_where_there_are_ten():
    """A tenth of the width is allowed; with nine verticals, or without a width, no distance is too long."""
    results = {"width_m": [10, 10, 10, 0.0], "verticals": [10, 10, 9, 10]}
    verticals = {"water_m": [1.0, 1.01, 5.0, 5.0]}
    check = checks_section.neighbours_far_apart
    assert found(check, {"spacing_pct": 10.0}, results=results, verticals=verticals) == [1]
    assert check(evidence({"spacing_pct": 10.0}, results=results, verticals=verticals))["value"].tolist() == [
        pytest.approx(10.1)
    ]


def test_a_width_asks_for_verticals():
    """Below 1 m 3, below 10 m 5, from 10 m 8; of no width 3; a result handed in without points is not counted."""
    results = {
        "width_m": [0.99, 0.99, 1, 1, 9.99, 10, 10, NAN, 10],
        "verticals": [3, 2, 5, 4, 5, 7, 8, 2, 1],
        "recomputable": [True] * 8 + [False],
    }
    limits = {"verticals_widths_m": (1.0, 10.0), "verticals_fewest": (3.0, 5.0, 8.0)}
    assert found(checks_section.verticals_few, limits, results=results) == [1, 3, 5, 7]
    assert checks_section.verticals_few(evidence(limits, results=results))["limit"].tolist() == [3, 5, 8, 3]


@pytest.mark.parametrize(("change", "told"), [(0.1, False), (-0.1, False), (0.101, True), (-0.101, True), (NAN, False)])
def test_stage_changed_in_either_direction(change, told):
    """A tenth of a metre up or down is allowed."""
    results = {"gauge_height_change_m": [change]}
    assert bool(found(checks_section.stage_changed, {"stage_change_m": 0.1}, results=results)) == told


def test_readings_of_the_gauge():
    """None is missing, one is single, of several a part may be held; another gauge counts with any reading."""
    results = {
        "gauge_height_readings": [0, 1, 2, 2, 1],
        "gauge_height_held_s": [0, 60.0, 60.0, 0.0, 0.0],
        "gauge_height_reference": [False, False, False, False, True],
        "gauge_height_m": 1.0,
    }
    assert found(checks_section.gauge_height_missing, results=results) == [0]
    assert found(checks_section.gauge_height_single, results=results) == [1, 4]
    assert found(checks_section.gauge_height_held, results=results) == [2]
    assert checks_section.gauge_height_held(evidence(results=results))["value"].tolist() == [1.0]
    assert found(checks_section.gauge_not_reference, results=results) == [1, 2, 3]


def test_an_open_section_and_a_missing_discharge():
    """Either end open is enough; zero is a discharge."""
    open_ = {"open_start": [False, True, False, True], "open_end": [False, False, True, True]}
    assert found(checks_section.edge_missing, results=open_) == [1, 2, 3]
    assert found(checks_section.discharge_missing, results={"discharge_m3_s": [0.0, NAN, -1.0]}) == [1]


def test_a_discharge_handed_in_beside_points():
    """Of 10, 5 % either way are allowed; of zero nothing but zero; without points or a number nothing is compared."""
    results = {
        "discharge_m3_s": [10, 10, 10, -10, -10, 0, 0, 10, 10, NAN],
        "recomputable": [True] * 7 + [False, True, True],
    }
    handed_in = [10.5, 10.51, 9.49, -10.5, -10.51, 0, 0.1, 20, NAN, 1]
    limits = {"discharge_differs_pct": 5.0}
    got = found(checks_section.discharge_differs, limits, results=results, gaugings={"discharge_m3_s": handed_in})
    assert got == [1, 2, 4, 6]


@pytest.mark.parametrize(
    ("q", "velocity", "percent", "told"),
    [(7.0, 0.55, 0, False), (7.1, 0.55, 0, True), (7.1, 0.55, 5, False), (-7.1, -0.55, 0, True), (6.7, 0.55, 0, True),
     (6.8, 0.55, 0, False), (-7.0, -0.55, 0, False), (NAN, 0.55, 0, False),
     (7.4, 0.55, 5, True), (7.3, 0.55, 5, False)],
)  # fmt: skip
def test_a_result_is_area_times_velocity_but_for_rounding(q, velocity, percent, told):
    """12.5 m2 at 0.55 m/s are 6.875 m3/s; rounding: 0.05 * 0.55 + 0.005 * 12.5 + 0.05 = 0.14 m3/s."""
    said = {"discharge_m3_s": [q], "area_m2": [12.5], "mean_velocity_m_s": [velocity]}
    assert bool(found(checks_section.result_inconsistent, {"discharge_differs_pct": percent}, gaugings=said)) == told


@pytest.mark.parametrize(
    ("depth", "width", "percent", "told"),
    [(1.2, 10.5, 0, False), (1.25, 10.5, 0, True), (1.25, 10.5, 5, False), (1.13, 10.5, 0, True),
     (1.18, 10.5, 0, False), (1.25, 0.0, 0, False), (NAN, 10.5, 0, False), (1.181, 10.5, 0, False),
     (1.179, 10.5, 0, True)],
)  # fmt: skip
def test_a_mean_depth_is_area_over_width_but_for_rounding(depth, width, percent, told):
    """12.5 m2 over 10.5 m are 1.190 m; rounding: 1.190 * (0.05/12.5 + 0.05/10.5) = 0.010 m, and half a digit."""
    said = {"mean_depth_m": [depth], "area_m2": [12.5], "width_m": [width]}
    assert bool(found(checks_section.mean_depth_differs, {"mean_depth_differs_pct": percent}, gaugings=said)) == told


@pytest.mark.parametrize(
    ("most", "mean", "told"),
    [(0.99, 1.05, True), (1.045, 1.05, False), (3.17, 1.05, True), (3.155, 1.05, False), (1.0, 0.0, False),
     (NAN, 1.05, False), (1.05, NAN, False)],
)  # fmt: skip
@pytest.mark.parametrize("what", ["depth", "velocity"])
def test_a_greatest_value_lies_between_the_mean_and_three_times_it(what, most, mean, told):
    """Of 1.05, from 1.05 to 3.15 but for half of the last digit of both; of a mean of zero nothing is too much."""
    unit = "m" if what == "depth" else "m_s"
    said = {f"max_{what}_{unit}": [most], f"mean_{what}_{unit}": [mean]}
    check = getattr(checks_section, f"max_{what}_unlike_mean")
    assert bool(found(check, {"max_over_mean_factor": 3.0}, gaugings=said)) == told


def test_uncertainties_apart_and_large():
    """Scatter up to twice the tables is allowed, beside nothing nothing is told; the larger of both is held at 10 %."""
    apart = {"uncertainty_table_m3_s": [1, 1, 0, NAN], "uncertainty_scatter_m3_s": [2, 2.01, 1, 1]}
    assert found(checks_section.uncertainties_differ, {"uncertainties_factor": 2.0}, results=apart) == [1]
    large = {"uncertainty_table_pct": [9, 10.1, 3, NAN, NAN], "uncertainty_scatter_pct": [10, 3, 10.1, 10.1, NAN]}
    assert found(checks_section.uncertainty_large, {"uncertainty_large_pct": 10.0}, results=large) == [1, 2, 3]


def test_an_offset_is_the_sites_or_an_hour_more():
    """Of a site at +05:30, since moved from UTC: 05:30 to 06:30; below, above, and neither is known."""
    since = pd.to_datetime([None, "2020-01-01T00:00Z"], utc=True)
    sites = {"site": ["S", "S"], "valid_from": since[::-1], "utc_offset": ["+05:30", "+00:00"]}
    given = ["+05:30", "+06:30", "+05:00", "+06:45", "-05:30", None, "Z", "+05:45"]
    e = evidence(gaugings={"site": "S", "offset_given": given})
    e.sites = pd.DataFrame(sites)
    assert checks_section.offset_unlike_site(e)["g"].tolist() == [2, 3, 4]


@pytest.mark.parametrize(
    ("check", "limits", "columns", "expected"),
    [
        ("exposure_short", {"exposure_s": 40}, {"exposure_s": [39.9, 40, NAN]}, [0]),
        ("tilt_large", {"tilt_deg": 5}, {"tilt_deg": [5, 5.1, -5.1, -5, NAN]}, [1, 2]),
        ("spikes_many", {"spikes_pct": 10}, {"spikes": [1, 2, 0, 1, NAN], "samples": [9, 9, 0, 0, 9]}, [1, 3]),
        ("velocity_negative", {}, {"normal_velocity_m_s": [-0.01, 0, 0.01, NAN]}, [0]),
        ("error_large", {"velocity_error_pct": 5, "velocity_error_m_s": 0.01},
         {"normal_velocity_m_s": [1, 1, -1, -1, 0.1, 0.1], "velocity_se_m_s": [0.05, 0.051, 0.051, 0.04, 0.01, 0.0101]},
         [1, 2, 5]),
        ("angle_large", {"angle_deg": 20},
         {"flow_angle_deg": [20, 20.1, -20.1, NAN, NAN, NAN],
          "angle_cosine": [NAN, 1, 1, np.cos(np.radians(20.1)), np.cos(np.radians(19.9)), NAN]}, [1, 2, 3]),
        ("coefficient_unusual", {"coefficient_range": (0.8, 0.9)},
         {"method_coefficient": [0.79, 0.8, 0.9, 0.91, NAN]}, [0, 3]),
    ],
)  # fmt: skip
def test_of_a_point(check, limits, columns, expected):
    """On the limit nothing is found, beyond it the point; limits of an angle and a tilt hold to both sides."""
    assert found(getattr(checks_points, check), limits, points=columns) == expected


def test_a_coefficient_is_told_with_the_bound_it_passed():
    """Below the range the lower bound, above it the upper."""
    e = evidence({"coefficient_range": (0.8, 0.9)}, points={"method_coefficient": [0.7, 0.95]})
    assert checks_points.coefficient_unusual(e)["limit"].tolist() == [0.8, 0.9]


START = pd.Timestamp("2025-05-01T09:00Z").as_unit("us")


def _minutes(*minutes):
    return pd.Series([START + pd.Timedelta(minutes=m) if m is not None else pd.NaT for m in minutes])


def test_a_signal_is_low_or_unusable_by_its_meter_or_the_policy():
    """By the policy 4 and 10 dB; a register that asks 12 dB, and 8 dB from a day on, goes before."""
    e = evidence(
        {"snr_low_db": 10.0, "snr_unusable_db": 4.0},
        points={"snr_db": [3.9, 4, 9.9, 10, NAN, 11.9, 12, 7.9, 8.0], "g": [0, 0, 0, 0, 0, 1, 1, 2, 2]},
        gaugings={"instrument": ["other", "M", "M"], "started_at": _minutes(0, -1, 0)},
    )
    since = pd.Series([START, pd.NaT], dtype="datetime64[us, UTC]")
    said = {"instrument": "M", "valid_from": since, "snr_low_db": [8.0, 12.0], "snr_unusable_db": NAN}
    e.instruments = pd.DataFrame(said)
    assert checks_points.signal_low(e)["limit"].tolist() == [10, 10, 12, 8]
    assert checks_points.signal_low(e)["value"].tolist() == [4, 9.9, 11.9, 7.9]
    assert checks_points.signal_unusable(e)["value"].tolist() == [3.9]


def test_a_point_is_read_during_its_gauging():
    """From 9 to 10 o'clock, both included; before and after by how many minutes; without a time nothing is told."""
    e = evidence(
        points={"read_at": _minutes(-2, 0, 30, 60, 63, None, 60.5), "g": 0},
        gaugings={"started_at": _minutes(0), "ended_at": _minutes(60)},
    )
    assert checks_points.time_outside(e)["value"].tolist() == [2.0, 3.0, 0.5]


@pytest.mark.parametrize(
    ("upper", "lower", "ice", "inverted", "steep"),
    [(1.0, 1.0, False, False, False), (1.0, 1.01, False, True, False), (1.0, 1.01, True, False, False),
     (2.0, 1.0, False, False, False), (2.01, 1.0, False, False, True), (2.01, 1.0, True, False, False),
     (0.1, -0.1, False, False, True), (-0.1, -0.2, False, False, False), (NAN, 1.0, False, False, False)],
)  # fmt: skip
def test_a_profile_runs_faster_near_the_surface_but_not_twice_as_fast(upper, lower, ice, inverted, steep):
    """Equal, or twice as fast, is allowed; under ice profiles are others, against the stream none is steep."""
    e = evidence(
        {"profile_steep_factor": 2.0},
        verticals={"ice": [ice]},
        points={"relative_depth": [0.2, 0.6, 0.8], "normal_velocity_m_s": [upper, 9.0, lower], "v": 0, "g": 0},
    )
    assert bool(len(checks_points.profile_inverted(e))) == inverted
    assert bool(len(checks_points.profile_steep(e))) == steep


def test_points_fit_the_depth():
    """One point up to 0.75 m, two or three from 0.5 m; an edge is not looked at for one."""
    methods = [
        "one point 0.6",
        "one point 0.5",
        "one point 0.2",
        "two points",
        "two points",
        "three points",
        "one point 0.6",
    ]
    verticals = {
        "profile_method": methods,
        "effective_depth_m": [0.75, 0.76, 0.76, 0.5, 0.49, 0.49, 0.76],
        "edge": [False] * 6 + [True],
    }
    assert found(checks_points.one_point_deep, {"two_points_from_m": 0.75}, verticals=verticals) == [1, 2]
    assert found(checks_points.two_points_shallow, {"two_points_not_below_m": 0.5}, verticals=verticals) == [4, 5]


def test_temperatures_of_meter_and_thermometer():
    """Two degrees apart are allowed, either way; an acoustic meter with points asks for a thermometer."""
    e = evidence(
        {"temperature_differs_c": 2.0},
        gaugings={
            "meter_temperature_c": [12, 12.1, 7.9, NAN, 12],
            "water_temperature_c": [10, 10, 10, 10, NAN],
            "instrument": ["A", "A", "A", "R", "A"],
        },
        results={"recomputable": [True] * 5},
    )
    e.instruments = pd.DataFrame({"instrument": ["A", "R"], "kind": ["acoustic point", "rotating"]})
    assert checks_points.temperature_differs(e)["g"].tolist() == [1, 2]
    assert checks_points.temperature_missing(e)["g"].tolist() == [4]


def _season(**columns):
    rows = pd.DataFrame(columns)
    rows = rows.assign(g=range(len(rows)), gauging_id=[f"id{i}" for i in range(len(rows))])
    limits = {"stage_change_m": 0.25, "area_falls_pct": 10.0}
    limits |= {"verticals_widths_m": (1.0,), "verticals_fewest": (3.0, 5.0)}
    e = evidence(limits, gaugings={"label": rows["gauging_id"]})
    e.seen = rows
    return e


@pytest.mark.parametrize(
    ("site", "height", "area", "told"),
    [("S", 1.26, 8.9, True), ("S", 1.25, 8.9, False), ("S", 1.26, 9.0, False), ("T", 1.26, 8.9, False),
     ("S", NAN, 8.9, False), ("S", 1.26, NAN, False)],
)  # fmt: skip
def test_a_higher_stage_has_no_smaller_area(site, height, area, told):
    """Above 1 m by more than 0.25 m with less than nine tenths of 10 m2, at one site: then it is told with both."""
    e = _season(site=["S", site], gauge_height_m=[1.0, height], area_m2=[10.0, area])
    got = checks_season.stage_rises_area_falls(e)
    assert got[["g", "value", "limit"]].to_numpy().tolist() == ([[1, area, 10.0]] if told else [])


def test_each_stage_is_held_against_the_gauging_before():
    """Of four at rising stages the third and the fourth have less area than the one just before them."""
    e = _season(site="S", gauge_height_m=[1.0, 2.0, 3.0, 4.0], area_m2=[10.0, 20.0, 15.0, 12.0])
    got = checks_season.stage_rises_area_falls(e)
    assert got[["g", "value", "limit"]].to_numpy().tolist() == [[2, 15.0, 20.0], [3, 12.0, 15.0]]


def test_a_copied_sheet_is_found_on_both_sides():
    """Equal digests of points; a missing or an empty one is equal to none."""
    e = _season(points_digest=["a", "b", "a", None, None, "", ""])
    assert checks_season.sheet_copied(e)["g"].tolist() == [0, 2]


def test_a_party_whose_every_gauging_has_few_verticals():
    """Three of three with fewer than 5; two are too few to say, one with enough clears, results alone do not count."""
    party = ["P"] * 3 + ["Q"] * 2 + ["R"] * 4 + ["S"] * 3 + [None] * 3
    verticals = [4, 4, 4, 4, 4, 4, 4, 4, 5, 4, 4, 4, 4, 4, 4]
    recomputable = [True] * 9 + [True, True, False] + [True] * 3
    e = _season(party=party, verticals=verticals, width_m=1.0, recomputable=recomputable)
    got = checks_season.party_few_verticals(e)
    assert got["g"].tolist() == [0, 1, 2]
    assert got["value"].tolist() == [3.0] * 3


@pytest.mark.parametrize("column", ["instrument", "party"])
def test_a_meter_or_a_party_is_at_one_gauging_at_a_time(column):
    """Until 10 o'clock and from 10 o'clock is no overlap, from five minutes before is one of five, told of both."""
    other = "party" if column == "instrument" else "instrument"
    e = _season(
        started_at=_minutes(0, 55, 60, 0, 30), ended_at=_minutes(60, 70, 80, 60, 40), site="S",
        **{column: ["M", "M", "N", "K", None], other: None},
    )  # fmt: skip
    got = checks_season.times_overlap(e)
    assert got[["g", "value"]].to_numpy().tolist() == [[0, 5.0], [1, 5.0]]


def test_a_depth_is_held_against_what_the_meter_asked_for_on_the_day():
    """A register row holds from its start on: 0.3 m before, 0.5 m from it; without points nothing was read there."""
    e = evidence(
        gaugings={"instrument": ["M", "M", "M", "other"], "started_at": _minutes(-1, 0, 0, 0)},
        verticals={"effective_depth_m": [0.4, 0.5, 0.49, 0.1, 0.1], "points": [1, 1, 1, 0, 1], "g": [0, 1, 1, 1, 3]},
        points={"g": [0]},
    )
    since = pd.Series([START, pd.NaT], dtype="datetime64[us, UTC]")
    e.instruments = pd.DataFrame({"instrument": "M", "valid_from": since, "minimum_depth_m": [0.5, 0.3]})
    found = checks_points.below_meter_depth(e)
    assert found[["g", "value", "limit"]].to_numpy().tolist() == [[1, 0.49, 0.5]]


def test_a_gauging_handed_in_anew_stands_in_place_of_what_stood():
    """By site and start, by id where both are one; what stood has no row in the batch, what came anew is seen once."""
    at = _minutes(0, 0, 5)
    gaugings = {"gauging_id": ["b", "a", "new"], "site": ["S", "S", "R"], "started_at": at, "ended_at": at}
    history = {"gauging_id": ["a", "c"], "site": "S", "started_at": _minutes(9, -1), "ended_at": _minutes(9, -1)}
    e = evidence(gaugings=gaugings | {"discharge_m3_s": 9.0}, results={"discharge_m3_s": [2.0, 1.0, 3.0]})
    e.history = pd.DataFrame(history | {"discharge_m3_s": 7.0})
    rows = seen(e)
    assert rows[["gauging_id", "g", "discharge_m3_s"]].to_numpy().tolist() == [
        ["new", 2, 3.0],
        ["c", -1, 7.0],
        ["a", 1, 1.0],
        ["b", 0, 2.0],
    ]
    e.history = e.history.iloc[:0]
    assert seen(e)["gauging_id"].tolist() == ["new", "a", "b"]


def test_a_point_is_named_by_vertical_depth_and_repeat():
    """The depth where it is known, the repeat from the second on."""
    points = {
        "vertical": [3, 4, 5],
        "relative_depth": [0.6, NAN, 0.25],
        "repeat": [1, 1, 2],
        "normal_velocity_m_s": -1.0,
    }
    e = evidence(points=points | {"g": [0, 0, 0]}, gaugings={"g": [0]})
    keys = checks_points.velocity_negative(e)["key"].tolist()
    assert keys == ["vertical 3 at 0.6", "vertical 4", "vertical 5 at 0.25 repeat 2"]


def test_a_meter_to_be_watched_is_told_where_it_is_not_suspect():
    """By the check before or the one after; a suspect meter is told as such alone, a healthy one not at all."""
    e = evidence(gaugings={"label": list("abcde")})
    e.ties = pd.DataFrame({
        "verdict_before": ["watch", "healthy", "watch", "healthy", "unfit"],
        "verdict_after": ["healthy", "watch", "unfit", "healthy", "healthy"],
        "suspect_since_healthy": [False, False, True, False, True],
    })  # fmt: skip
    assert checks_season.meter_watch(e)["g"].tolist() == [0, 1]
    assert checks_season.meter_unfit(e)["g"].tolist() == [2, 4]


def test_a_mean_depth_of_no_area_is_not_it():
    """0.5 m where the area handed in is 0, and of both 0 nothing is told."""
    said = {"mean_depth_m": [0.5, 0.0], "area_m2": [0.0, 0.0], "width_m": [10.0, 10.0]}
    assert found(checks_section.mean_depth_differs, {"mean_depth_differs_pct": 5}, gaugings=said) == [0]


def test_an_area_after_none_has_not_fallen():
    """At a higher stage than that of an area of 0; what falls after it is told."""
    e = _season(site=["S"] * 3, gauge_height_m=[1.0, 2.0, 3.0], area_m2=[0.0, 20.0, 15.0])
    assert checks_season.stage_rises_area_falls(e)["g"].tolist() == [2]


@pytest.mark.parametrize(("limit", "told"), [(1.05, [0, 1]), (1.113, [1])])
def test_a_wrong_speed_of_sound_is_told_whichever_way_it_errs(limit, told):
    """At 20 degrees a meter that reads 15 errs by -1.107 %; at 15 one that reads 20 by 1 - 1/0.98893 = 1.12 %."""
    e = evidence({"sound_speed_pct": limit}, gaugings={"label": ["a", "b", "c"]})
    plain = making.gaugings(3).assign(water_temperature_c=[20.0, 15.0, 15.0], meter_temperature_c=[15.0, 20.0, 15.0])
    e.gaugings = plain.assign(row_file="f", row_line=range(3))
    assert checks_points.sound_speed_differs(e)["g"].tolist() == told
    assert checks_points.sound_speed_differs(e)["value"].iloc[-1] == pytest.approx(1.119, abs=2e-3)
