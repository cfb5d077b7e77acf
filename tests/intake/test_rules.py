"""Each rule of a gauging has a bad example that gives it back and a good one that is taken."""

from __future__ import annotations

import pytest

from stillwell.intake.interpret import interpret
from tests.intake.making import GAUGINGS, HEAD, folder, points

ANGLE = HEAD.replace("\n", ",flow_angle_deg,angle_cosine,velocity_is_normal\n")
ICE = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s,ice_underside_m\n"
WALL = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s,edge_velocity_ratio\n"
ONE = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s,method_coefficient\n"
REPEAT = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s,repeat\n"
OTHER = "gauging,site,started_at,ended_at,method,discharge_m3_s,uncertainty_pct,uncertainty_level\n"
SPAN = "2025-05-01T10:00+02:00,2025-05-01T11:00+02:00"

POINT_RULES = [
    # rule, column, bad table of points, good table of points
    (
        "two verticals on a position",
        "position_m",
        points("2,1,.5,open,.6,.4", "3,1,.5,open,.6,.4"),
        points("2,1,.5,open,.6,.4", "3,2,.5,open,.6,.4"),
    ),
    (
        "one position, depth and kind in a vertical",
        "depth_m",
        points("2,1,.5,open,.2,.4", "2,1,.6,open,.8,.4"),
        points("2,1,.5,open,.2,.4", "2,1,.5,open,.8,.4"),
    ),
    ("edges somewhere", "kind", HEAD + "G1,1,0,.5,open,.6,.4\nG1,2,1,.5,open,.6,.4\n", points("2,1,.5,open,.6,.4")),
    (
        "inner edges in pairs",
        "kind",
        points("2,1,.5,open,.6,.4", "3,2,0,edge,,", "4,3,.5,open,.6,.4"),
        points("2,1,.5,open,.6,.4", "3,2,0,edge,,", "4,3,0,edge,,", "5,4,.5,open,.6,.4"),
    ),
    (
        "no water on the island",
        "depth_m",
        points("2,1,.5,open,.6,.4", "3,2,0,edge,,", "4,3,.2,open,.6,.4", "5,4,0,edge,,", "6,5,.5,open,.6,.4"),
        points("2,1,.5,open,.6,.4", "3,2,0,edge,,", "4,3,0,dry,,", "5,4,0,edge,,", "6,5,.5,open,.6,.4"),
    ),
    (
        "no velocity without depth",
        "velocity_m_s",
        points("2,1,.5,open,.6,.4", "3,60,0,edge,,.2"),
        points("2,1,.5,open,.6,.4", "3,1.5,.4,open,.6,.2"),
    ),
    (
        "nothing flows on dry ground",
        "velocity_m_s",
        points("2,1,.5,open,.6,.4", "3,2,0,dry,.6,.2"),
        points("2,1,.5,open,.6,.4", "3,2,0,dry,,"),
    ),
    (
        "dry means no depth",
        "depth_m",
        points("2,1,.5,open,.6,.4", "3,2,.1,dry,,"),
        points("2,1,.5,open,.6,.4", "3,2,0,dry,,"),
    ),
    ("where in the depth", "relative_depth", points("2,1,.5,open,,.4"), points("2,1,.5,open,.6,.4")),
    (
        "each point once",
        "repeat",
        points("2,1,.5,open,.6,.4", "2,1,.5,open,.6,.5"),
        points("2,1,.5,open,.2,.4", "2,1,.5,open,.8,.5"),
    ),
    (
        "each repeat once",
        "repeat",
        points("2,1,.5,open,.6,.4,2", "2,1,.5,open,.6,.5,2", head=REPEAT),
        points("2,1,.5,open,.6,.4,1", "2,1,.5,open,.6,.5,2", head=REPEAT),
    ),
    ("a velocity somewhere", "velocity_m_s", points("2,1,.5,open,.6,"), points("2,1,.5,open,.6,", "3,2,.5,open,.6,.4")),
    (
        "an angle says whether the velocity is normal",
        "velocity_is_normal",
        points("2,1,.5,open,.6,.4,10,,", head=ANGLE),
        points("2,1,.5,open,.6,.4,10,,false", "3,2,.5,open,.6,.4,0,,", head=ANGLE),
    ),
    (
        "an angle or its cosine",
        "angle_cosine",
        points("2,1,.5,open,.6,.4,10,.98,false", head=ANGLE),
        points("2,1,.5,open,.6,.4,,.98,true", head=ANGLE),
    ),
    (
        "ice has an underside",
        "ice_underside_m",
        points("2,1,.5,ice,.6,.4,", head=ICE),
        points("2,1,.5,ice,.6,.4,.1", head=ICE),
    ),
    (
        "ice lies above the bed",
        "ice_underside_m",
        points("2,1,.5,ice,.6,.4,.6", head=ICE),
        points("2,1,.5,ice,.6,.4,.5", "3,2,.5,open,.6,.4,", head=ICE),
    ),
    (
        "ice only where there is ice",
        "ice_underside_m",
        points("2,1,.5,open,.6,.4,.1", head=ICE),
        points("2,1,.5,open,.6,.4,", head=ICE),
    ),
    (
        "a ratio only at a wall",
        "edge_velocity_ratio",
        points("2,1,.5,open,.6,.4,.65", head=WALL),
        points("2,1,.5,open,.6,.4,", "3,60,.4,edge,,,.65", head=WALL).replace("G1,99,50,0,edge,,,\n", ""),
    ),
    (
        "a coefficient only for one point",
        "method_coefficient",
        points("2,1,.5,open,.2,.4,.9", "2,1,.5,open,.8,.4,.9", head=ONE),
        points("2,1,.5,open,.6,.4,.9", head=ONE),
    ),
    (
        "points of a known gauging",
        "gauging",
        points("2,1,.5,open,.6,.4") + "G7,1,0,0,edge,,\n",
        points("2,1,.5,open,.6,.4"),
    ),
]

HEADER_RULES = [
    ("every label once", "gauging", GAUGINGS + f"G1,S1,{SPAN}\n", GAUGINGS),
    (
        "an end after the start",
        "ended_at",
        OTHER + "G2,S1,2025-05-01T12:00+02:00,2025-05-01T11:00+02:00,float,1,,\n",
        OTHER + "G2,S1,2025-05-01T11:00+02:00,2025-05-01T11:00+02:00,float,1,,\n",
    ),
    (
        "zero is zero",
        "discharge_m3_s",
        OTHER + f"G2,S1,{SPAN},observed zero,0.1,,\n",
        OTHER + f"G2,S1,{SPAN},observed zero,0,,\n",
    ),
    (
        "a discharge without points",
        "discharge_m3_s",
        OTHER + f"G2,S1,{SPAN},float,,,\n",
        OTHER + f"G2,S1,{SPAN},float,2,,\n",
    ),
    (
        "verticals need points",
        "discharge_m3_s",
        OTHER + f"G2,S1,{SPAN},wading verticals,,,\n",
        OTHER + f"G2,S1,{SPAN},wading verticals,3.2,,\n",
    ),
]


def _reasons(**tables):
    return interpret([folder(**tables)])


@pytest.mark.parametrize(("rule", "column", "bad", "good"), POINT_RULES, ids=[r[0] for r in POINT_RULES])
def test_points(rule, column, bad, good):
    """The bad example is given back with the column, file and line; the good one is taken."""
    returned = _reasons(points=bad)
    assert column in set(returned.problems["column"]), rule
    named = returned.problems[returned.problems["column"] == column]
    assert set(named["file"]) == {"points.csv"}
    assert named["line"].notna().all()
    if column != "gauging":
        assert returned.tables["gaugings"].empty
        assert returned.tables["points"].empty
    taken = _reasons(points=good)
    assert taken.problems.empty, taken.problems.to_dict("records")
    assert len(taken.tables["points"]) == good.count("\n") - 1


@pytest.mark.parametrize(("rule", "column", "bad", "good"), HEADER_RULES, ids=[r[0] for r in HEADER_RULES])
def test_headers(rule, column, bad, good):
    """The bad header is given back and the good one is taken."""
    no_points = HEAD if "G2" in bad else points("2,1,.5,open,.6,.4")
    returned = _reasons(gaugings=bad, points=no_points)
    assert column in set(returned.problems["column"]), rule
    assert returned.tables["gaugings"].empty
    taken = _reasons(gaugings=good, points=no_points)
    assert taken.problems.empty, taken.problems.to_dict("records")
    assert len(taken.tables["gaugings"]) == 1


def test_points_with_a_method_that_has_none():
    """A float gauging has no verticals."""
    returned = _reasons(gaugings=OTHER + f"G1,S1,{SPAN},float,2,,\n")
    assert list(returned.problems["column"]) == ["method"]


@pytest.mark.parametrize(
    ("cells", "column"),
    [("0.4,20,50", "revolutions"), (",20,", "exposure_s"), (",20,50", "revolutions")],
)
def test_revolutions(cells, column):
    """Revolutions stand in place of a velocity, with the time they took and a meter whose calibration is known."""
    head = "gauging,vertical,position_m,depth_m,kind,relative_depth,velocity_m_s,revolutions,exposure_s\n"
    returned = _reasons(points=points(f"2,1,.5,open,.6,{cells}", head=head))
    assert column in set(returned.problems["column"])


def test_one_missing_end_is_taken_and_out_of_order_is_noted():
    """An edge at one end suffices; verticals walked out of order are a note."""
    one_end = HEAD + "G1,1,0,0,edge,,\nG1,2,2,.5,open,.6,.4\nG1,3,1,.5,open,.6,.4\n"
    taken = _reasons(points=one_end)
    assert taken.problems.empty
    assert taken.notes["note"].str.contains("out of order").any()


def test_a_good_gauging_is_taken_while_a_bad_one_is_returned():
    """One bad cell gives back its gauging only."""
    two = GAUGINGS + "G2,S1,2025-05-02T10:00+02:00,2025-05-02T11:00+02:00\n"
    good = points("2,1,.5,open,.6,.4")
    both = good + good.replace(HEAD, "").replace("G1", "G2").replace(",.5,open", ",-.5,open")
    made = _reasons(gaugings=two, points=both)
    assert list(made.tables["gaugings"]["gauging"]) == ["G1"]
    assert set(made.tables["points"]["gauging"]) == {"G1"}
    problem = made.problems.iloc[0]
    assert (problem["gauging"], problem["file"], problem["line"], problem["column"]) == (
        "G2",
        "points.csv",
        6,
        "depth_m",
    )
    assert problem["found"] == "-0.5"
    assert "0 to 200 m" in problem["expected"]
    assert "returned" in problem["consequence"]


def test_a_row_that_names_no_gauging_gives_back_all_it_may_belong_to():
    """Where a row of points cannot be attributed no gauging of that deposit can be trusted; another deposit's can."""
    broken = folder(points=points("2,1,.5,open,.6,.4") + ",4,3,.5,open,.6,.4\n")
    made = interpret([broken, folder()])
    assert len(made.tables["gaugings"]) == 1
    assert set(made.problems["deposit"]) == {broken.digest}


def test_an_uncertainty_without_its_level_is_taken_with_a_note():
    """It counts as one standard uncertainty, and the note says so; under the first rules it was returned."""
    text = OTHER + f"G2,S1,{SPAN},float,2,5,\n"
    taken = _reasons(gaugings=text, points=HEAD)
    assert taken.problems.empty
    assert taken.notes["note"].str.contains("without its level").any()
    assert len(taken.tables["gaugings"]) == 1
