"""The cross-section: geometry and shares against the numbers drawn."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.drawing.section import section_svg
from stillwell.drawing.strips import ordered, strips
from tests.drawing.pictures import SVG, numbers, parsed, points, texts, verticals

X, D, V = [2, 3, 4.5, 6, 7, 9], [0, 0.4, 0.9, 0.7, 0.3, 0], [0, 0.2, 0.5, 0.4, 0.1, 0]
EIGHT = (np.linspace(0, 20, 21), np.sin(np.linspace(0, np.pi, 21)), np.full(21, 0.5))


def _lines(svg):
    return [line for line in parsed(svg).iter(f"{SVG}line") if line.get("data-vertical")]


def _filled(svg):
    return {int(b.get("data-vertical")): b for b in parsed(svg).iter(f"{SVG}rect") if b.get("class") == "share"}


def _size(bar, name):
    return float(bar.get(name))


def test_section_is_to_scale():
    """Lengths and depths on paper are proportional to metres, and their ratio is the one written beside them."""
    for x, d, v in ((X, D, V), EIGHT):
        rows = verticals(x, d, v)
        svg = section_svg(rows, points(rows), start_bank="left")
        lines = _lines(svg)
        left = np.array([_size(line, "x1") for line in lines])
        tall = np.array([_size(line, "y2") - _size(line, "y1") for line in lines])
        per_m = (left[-1] - left[0]) / (x[-1] - x[0])
        np.testing.assert_allclose(left - left[0], per_m * (np.asarray(x) - x[0]), atol=0.02)
        wet = np.asarray(d) > 0
        per_depth = tall[wet] / np.asarray(d)[wet]
        np.testing.assert_allclose(per_depth[0] * np.asarray(d), tall, atol=0.05)
        said = next(t for t in texts(svg) if "times larger" in t or "one scale" in t)
        stretch = int(found[1]) if (found := re.search(r"drawn (\d+) times", said)) else 1
        assert stretch == pytest.approx(per_depth[0] / per_m, rel=2e-3)


def test_small_copy_has_heights_and_lengths_alike():
    """The copy under the section keeps the ratio of depth to width of the water itself."""
    rows = verticals(*EIGHT)
    group = next(g for g in parsed(section_svg(rows, points(rows))).iter(f"{SVG}g") if g.get("class") == "alike")
    wide, tall = np.ptp(numbers(group.find(f"{SVG}path")), axis=0)
    assert tall / wide == pytest.approx(1.0 / 20.0, rel=2e-3)


def test_left_bank_is_left_whichever_bank_the_party_started_from():
    """Started from the right with rising positions, the section is mirrored; unknown banks are not guessed."""
    rows = verticals(X, D, V)
    places = {
        bank: [_size(line, "x1") for line in _lines(section_svg(rows, points(rows), start_bank=bank))]
        for bank in ("left", "right", None)
    }
    assert places["left"] == places["left"].copy() == sorted(places["left"])
    assert places["right"] == sorted(places["right"], reverse=True)
    assert places[None] == places["left"]
    assert "left bank" in texts(section_svg(rows, points(rows), start_bank="right"))
    assert "left bank" not in texts(section_svg(rows, points(rows)))


def test_points_stand_at_their_depth():
    """A point at 0.2 of the depth stands at a fifth of its vertical."""
    rows = verticals(X, D, V)
    svg = section_svg(rows, points(rows, (0.2, 0.8)))
    lines = {line.get("data-vertical"): line for line in _lines(svg)}
    circles = list(parsed(svg).iter(f"{SVG}circle"))
    assert len(circles) == 8
    for circle, vertical in zip(circles[:4], ("2", "3", "4", "5"), strict=True):
        line = lines[vertical]
        top, foot = _size(line, "y1"), _size(line, "y2")
        assert _size(line, "x1") == _size(circle, "cx")
        assert pytest.approx((_size(circle, "cy") - top) / (foot - top), abs=2e-3) == 0.2


def test_colour_follows_velocity():
    """Equal velocities have one colour, a faster one is darker, one upstream is of another hue."""
    rows = verticals([0, 1, 2, 3, 4, 5], [0, 1, 1, 1, 1, 0], [0, 0.2, 0.2, 0.8, -0.2, 0])
    svg = section_svg(rows, points(rows))
    fill = [c.get("fill") for c in parsed(svg).iter(f"{SVG}circle")]
    level = [sum(int(f[i : i + 2], 16) for i in (1, 3, 5)) for f in fill]
    assert fill[0] == fill[1]
    assert level[2] < level[0]
    red_over_blue = [int(f[1:3], 16) - int(f[5:7], 16) for f in fill]
    assert red_over_blue[3] > 0 > red_over_blue[2]
    assert "below 0: upstream" in texts(svg)


def test_strips_are_the_panels_widths():
    """Strips are as wide as the panels that were computed, also beside an island."""
    rows = verticals([0, 1, 3, 4, 8, 9, 11, 12], [0, 1, 1, 0, 0, 1, 1, 0], [0.5] * 8, [1, 1, 1, 1, 2, 2, 2, 2])
    low, high = strips(ordered(rows))
    np.testing.assert_allclose(rows["width_m"], high - low)
    low, high = strips(ordered(rows), mean_section=True)
    np.testing.assert_allclose([0, 1, 2, 1, 0, 1, 2, 1], high - low)


@given(st.lists(st.floats(-2, 2), min_size=3, max_size=12), st.lists(st.floats(0.2, 3), min_size=14, max_size=14))
@settings(max_examples=40)
def test_strips_are_filled_to_their_share(speeds, steps):
    """Of uneven panels each is filled to the part its share is of the largest, which fills its strip and is named."""
    n = len(speeds) + 2
    places = np.cumsum(np.round(steps[:n], 2))
    rows = verticals(places, [0, *[0.7] * len(speeds), 0], [0, *np.round(speeds, 3), 0])
    svg = section_svg(rows, points(rows))
    flow = rows["discharge_m3_s"].abs()
    named = [t for t in texts(svg) if t.startswith("largest share")]
    filled = _filled(svg)
    if flow.sum() == 0:
        assert named == []
        assert filled == {}
        return
    largest = int(flow.argmax())
    assert named == [f"largest share: {100 * flow[largest] / flow.sum():.1f} %, vertical {largest + 1}"]
    lines = {int(line.get("data-vertical")): _size(line, "x1") for line in _lines(svg)}
    px = (lines[n] - lines[1]) / (places[-1] - places[0])
    for vertical, strip in filled.items():
        expected = px * rows["width_m"][vertical - 1] * flow[vertical - 1] / flow[largest]
        assert _size(strip, "width") == pytest.approx(expected, abs=0.03)


def test_a_larger_share_is_darker_and_upstream_is_brown():
    """Shade rises with the share; a panel in which water runs upstream has another hue."""
    rows = verticals([0, 1, 2, 3, 4, 5], [0, 1, 1, 1, 1, 0], [0, 0.1, 0.4, 0.9, -0.2, 0])
    filled = _filled(section_svg(rows, points(rows)))
    tone = {i: [int(strip.get("fill")[k : k + 2], 16) for k in (1, 3, 5)] for i, strip in filled.items()}
    light = {i: sum(levels) for i, levels in tone.items()}
    assert light[2] > light[3] > light[4]
    assert tone[5][0] > tone[5][1] > tone[5][2]
    assert all(tone[i][1] > tone[i][0] for i in (2, 3, 4))


def test_no_limit_and_no_bar_stands_under_the_section():
    """Shares stand in the section itself: nothing under its colours, and no line of a limit."""
    rows = verticals(*EIGHT)
    root = parsed(section_svg(rows, points(rows)))
    assert not [e for e in root.iter() if "limit" in (e.get("class") or "") or "bar" in (e.get("class") or "").split()]


@pytest.mark.parametrize("some", [0, 1])
def test_no_or_one_vertical_is_said_in_words(some):
    """Nothing to draw, or a single vertical, is a drawing all the same."""
    rows = verticals(X, D, V).iloc[2 : 2 + some]
    svg = section_svg(rows, points(rows))
    assert parsed(svg).find(f"{SVG}desc").text
    assert any(len(t) > 3 for t in texts(svg))


def test_wall_ice_and_missing_velocity_are_drawn():
    """A wall stands upright, ice covers its strip, and a strip without a point says so."""
    rows = verticals([0, 1, 2, 3], [0.8, 0.8, 0.8, 0], [0.1, 0.3, 0.3, 0])
    rows["kind"] = ["edge", "ice", "open", "edge"]
    read = points(rows.assign(kind=["edge", "open", "edge", "edge"])).assign(ice_underside_m=0.3)
    root = parsed(section_svg(rows, read))
    ice = next(r for r in root.iter(f"{SVG}rect") if r.get("class") == "ice")
    first = next(li for li in root.iter(f"{SVG}line") if li.get("data-vertical") == "1")
    assert _size(first, "y2") > _size(first, "y1")
    assert pytest.approx(_size(ice, "height") / (_size(first, "y2") - _size(first, "y1")), abs=1e-3) == 0.3 / 0.8
    guesses = [r for r in root.iter(f"{SVG}rect") if r.get("class") == "strip guess"]
    assert len(guesses) == 2
