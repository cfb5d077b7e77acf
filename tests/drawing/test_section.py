"""Cross-section and panels: geometry against the numbers drawn."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.drawing.panels import panels_svg
from stillwell.drawing.section import section_svg
from stillwell.drawing.strips import ordered, strips
from tests.drawing.pictures import SVG, numbers, parsed, points, texts, verticals

X, D, V = [2, 3, 4.5, 6, 7, 9], [0, 0.4, 0.9, 0.7, 0.3, 0], [0, 0.2, 0.5, 0.4, 0.1, 0]
EIGHT = (np.linspace(0, 20, 21), np.sin(np.linspace(0, np.pi, 21)), np.full(21, 0.5))


def _lines(svg):
    return [line for line in parsed(svg).iter(f"{SVG}line") if line.get("data-vertical")]


def _bars(svg):
    return {int(b.get("data-vertical")): b for b in parsed(svg).iter(f"{SVG}rect") if b.get("data-vertical")}


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


@given(st.lists(st.floats(-2, 2), min_size=3, max_size=12))
@settings(max_examples=40)
def test_bars_are_as_high_as_discharge(speeds):
    """Bars are as high as their discharge, upstream ones hang under zero, limits stand at their share."""
    n = len(speeds) + 2
    rows = verticals(np.arange(n), [0, *[0.7] * len(speeds), 0], [0, *np.round(speeds, 3), 0])
    svg = panels_svg(rows, share_high_pct=10, share_raised_pct=5)
    gross = rows["discharge_m3_s"].abs().sum()
    if gross == 0:
        assert "No panel carries water." in texts(svg)
        return
    bars = _bars(svg)
    flow = rows.set_index("vertical")["discharge_m3_s"]
    largest = max(bars, key=lambda i: _size(bars[i], "height"))
    px = _size(bars[largest], "height") / abs(flow[largest])
    zero = _size(bars[largest], "y") + (_size(bars[largest], "height") if flow[largest] > 0 else 0)
    for i, bar in bars.items():
        assert _size(bar, "height") == pytest.approx(px * abs(flow[i]), abs=0.02)
        edge = _size(bar, "y") + (_size(bar, "height") if flow[i] > 0 else 0)
        assert edge == pytest.approx(zero, abs=0.02)
    for line in (li for li in parsed(svg).iter(f"{SVG}line") if li.get("data-share")):
        share = float(line.get("data-share")) / 100 * gross
        assert abs(zero - _size(line, "y1")) == pytest.approx(px * share, abs=0.03)


def test_bars_over_a_limit_look_otherwise():
    """A panel over the limit, one over what is wanted and one under both have three classes."""
    rows = verticals([0, 1, 2, 3, 4], [0, 1, 1, 1, 0], [0, 0.06, 0.9, 0.04, 0])
    bars = _bars(panels_svg(rows, share_high_pct=10, share_raised_pct=5))
    assert tuple(bars[i].get("class") for i in (2, 3, 4)) == ("bar-raised", "bar-high", "bar")


@pytest.mark.parametrize("some", [0, 1])
def test_no_or_one_vertical_is_said_in_words(some):
    """Nothing to draw, or a single vertical, is a drawing all the same."""
    rows = verticals(X, D, V).iloc[2 : 2 + some]
    for svg in (section_svg(rows, points(rows)), panels_svg(rows.assign(discharge_m3_s=0.0))):
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
