"""Budget, intervals, rating, record, duration and meter: what is drawn is where its number is."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.drawing.budget import Interval, budget_svg, intervals_svg
from stillwell.drawing.duration import duration_svg
from stillwell.drawing.health import Quantity, health_svg
from stillwell.drawing.hydrograph import hydrograph_svg, whole_window
from stillwell.drawing.labels import LETTER, placed
from stillwell.drawing.map import map_svg
from stillwell.drawing.rating import Line, rating_svg
from stillwell.drawing.section import section_svg
from stillwell.drawing.svg import escaped, slug, without_style
from stillwell.drawing.window import Series
from tests.drawing.pictures import SVG, numbers, parsed, points, texts, verticals

QUARTER = 900_000_000
HOSTILE = "\"><script>alert('x')</script>&amp;\x1b\u202e"
STAGE = np.linspace(0.2, 1.4, 61)
RATING = Line(STAGE, 5 * (STAGE - 0.1) ** 2, (STAGE < 0.4) | (STAGE > 1.2))
GAUGED = pd.DataFrame(
    {
        "stage_m": [0.4, 0.8, 1.2, 0.1],
        "discharge_m3_s": [0.45, 2.45, 6.05, 0.0],
        "uncertainty": [0.05, 0.1, np.nan, np.nan],
        "label": ["a", "b", "c", "d"],
        "hint": ["a", "b", "c", "d"],
        "role": ["suspect", "this", "out", "other"],
        "approved": [True, False, False, False],
    }
)
BUDGET = pd.DataFrame(
    {"component": ["width", "depth", HOSTILE], "standard_m3_s": [0.1, 0.2, 0.4], "variance_pct": [5.0, 20.0, 75.0]}
)


def _of_class(svg, tag, css):
    return [e for e in parsed(svg).iter(f"{SVG}{tag}") if e.get("class") == css]


def _series(n=2000, **more):
    times = np.datetime64("2024-01-01", "us").astype(np.int64) + np.arange(n, dtype=np.int64) * QUARTER
    values = 2 + np.sin(np.arange(n) / 90)
    return Series(title="Discharge", unit="m³/s", times=times, values=values, step=QUARTER, half=0.1 * values, **more)


def _window(series, gauged=()):
    return whole_window(series, np.array(gauged, dtype=np.int64))


def all_pictures(label):
    """Make one drawing of each kind with a label in it wherever one goes."""
    rows = verticals([0, 1, 2, 3], [0, 1, 1, 0], [0, 1, 1, 0])
    checks = pd.DataFrame({"time_us": [0, 10**13], "verdict": ["healthy", label], "label": [label] * 2})
    figures = pd.DataFrame({"time_us": [0, 10**13], "value": [1.0, 2.0], "series": [1, 2], "label": [label] * 2})
    gaugings = GAUGED.assign(label=label, hint=label)
    at = gaugings.assign(time_us=_series().times[:4], value=gaugings["discharge_m3_s"])
    marked = _series(codes=np.zeros(2000, dtype=np.int64), marks=(label,))
    return [
        section_svg(rows, points(rows), findings={2: label}, name=label),
        budget_svg(BUDGET.assign(component=label), name=label),
        intervals_svg([Interval(label, 1.0, 0.1)], name=label),
        rating_svg(gaugings, RATING, name=label),
        hydrograph_svg(_window(marked), at, name=label),
        health_svg(checks, [Quantity(label, figures, ((1.5, label),))], name=label),
    ]


@given(st.text(max_size=60))
@settings(max_examples=25)
def test_no_label_breaks_out(label):
    """Whatever a label holds, every drawing is well-formed, holds no script, no link and no handler."""
    pictures = list(all_pictures(label))
    assert len(pictures) > 5
    for svg in pictures:
        assert len(list(parsed(svg).iter())) > 1
        for part in parsed(svg).iter():
            assert part.tag.removeprefix(SVG) in {
                "svg", "title", "desc", "style", "rect", "line", "path", "circle", "text", "g", "defs", "clipPath"
            }  # fmt: skip
            assert not [name for name in part.attrib if name.lower().startswith("on") or "href" in name]


def test_a_hostile_label_is_shown_as_it_is():
    """A label with markup is text, and control characters become visible escapes."""
    svg = budget_svg(BUDGET)
    said = next(t for t in texts(svg) if "script" in t)
    assert said == "\"><script>alert('x')</script>&amp;\\u001b\\u202e"
    assert "<script" not in svg


def test_every_drawing_tells_those_who_cannot_see():
    """Each is an image with title and description, refers to nothing outside, and is the same bytes every time."""
    first, again = all_pictures("x"), all_pictures("x")
    assert first == again
    for svg in first:
        root = parsed(svg)
        assert root.get("role") == "img"
        ids = root.get("aria-labelledby").split()
        named = {e.get("id"): e.text for e in (root.find(f"{SVG}title"), root.find(f"{SVG}desc"))}
        assert set(ids) == set(named)
        assert all(named.values())
        assert re.findall(r"https?://[^\"' ]+", svg) == ["http://www.w3.org/2000/svg"]
        assert not re.search(r"@import|url\((?!#)", svg)
        assert "prefers-color-scheme:dark" in svg
        assert "<style>" not in without_style(svg)


def test_bars_of_a_budget_are_as_long_as_their_share():
    """Length over share is one number; the largest comes first."""
    bars = [b for b in parsed(budget_svg(BUDGET)).iter(f"{SVG}rect") if b.get("data-component")]
    lengths = [float(b.get("width")) for b in bars]
    np.testing.assert_allclose([75 / 5, 20 / 5, 1], np.array(lengths) / lengths[-1], rtol=2e-3)


def test_intervals_span_twice_their_half():
    """A whisker is centred on its value; one without a half has none, and one without a value is left out."""
    told = [Interval("a", 2.0, 0.5), Interval("b", 3.0, 0.25), Interval("c", 2.5, np.nan), Interval("d", np.nan, 1.0)]
    svg = intervals_svg(told)
    level = [w for w in _of_class(svg, "line", "whisker") if w.get("y1") == w.get("y2")]
    wide = [float(w.get("x2")) - float(w.get("x1")) for w in level]
    assert pytest.approx(wide[0] / wide[1], rel=1e-3) == 2.0
    marks = _of_class(svg, "circle", "s-river")
    assert len(marks) == 3
    middle = [(float(w.get("x1")) + float(w.get("x2"))) / 2 for w in level]
    np.testing.assert_allclose(middle, [float(m.get("cx")) for m in marks[:2]], atol=0.02)
    assert "No discharge is known." in texts(intervals_svg([told[3]]))


@pytest.mark.parametrize("log", [False, True])
def test_rating_is_dashed_beyond_what_was_gauged(log):
    """The full line covers the gauged range only and touches the dashed one; a power law is straight by ratio."""
    svg = rating_svg(GAUGED, RATING, log=log, zero_m=0.1)
    full, dashed = (numbers(_of_class(svg, "path", css)[0]) for css in ("curve", "beyond"))
    assert (~RATING.beyond).sum() == len(full)
    ends = {tuple(p) for p in dashed}
    assert tuple(full[0]) in ends
    assert tuple(full[-1]) in ends
    if log:
        slope = np.diff(full[:, 1]) / np.diff(full[:, 0])
        np.testing.assert_allclose(slope, slope.mean(), rtol=0.02)
        assert "1 gauging at or below zero cannot be shown by ratio" in texts(svg)
    roles = [e.get("data-role") for e in parsed(svg).iter() if e.get("data-role")]
    assert sorted(["suspect", "this", "out"] + ([] if log else ["other"])) == sorted(roles)
    assert roles[-1] == "this"


def test_gauging_on_the_rating_lies_on_its_line():
    """A gauging that the rating gives exactly is drawn on the line, plain and by ratio."""
    for log in (False, True):
        one = GAUGED.iloc[[1]].assign(role="other", approved=True)
        svg = rating_svg(one, RATING, log=log, zero_m=0.1)
        circle = _of_class(svg, "circle", "full")[0]
        place = np.array([float(circle.get("cx")), float(circle.get("cy"))])
        full = numbers(_of_class(svg, "path", "curve")[0])
        assert np.hypot(*(full - place).T).min() < 0.6


def test_record_keeps_its_peak_and_its_hole():
    """Fifty years thin to a page, the peak is drawn at its height, and the hole breaks the line."""
    n = 50 * 35_000
    values = np.full(n, 1.0)
    values[n // 3] = 10.0
    values[n // 2 : n // 2 + 60_000] = np.nan
    times = np.arange(n, dtype=np.int64) * QUARTER
    series = Series(title="Discharge", unit="m³/s", times=times, values=values, step=QUARTER, half=0.1 * values)
    svg = hydrograph_svg(_window(series))
    assert len(svg) < 200_000
    line = numbers(_of_class(svg, "path", "fine")[0])
    scale = {
        t.text: float(t.get("y")) - 4 for t in parsed(svg).iter(f"{SVG}text") if t.get("class") == "small soft end"
    }
    assert scale["10"] == pytest.approx(line[:, 1].min(), abs=0.05)
    assert _of_class(svg, "path", "fine")[0].get("d").count("M") == 2


def test_record_marks_are_stripes():
    """Each mark has its own stripe where it holds, and gaugings stand on the record."""
    codes = np.zeros(2000, dtype=np.int64)
    codes[500:600] = 1
    series = _series(codes=codes, marks=("shift held", "ice"))
    at = GAUGED.iloc[[1]].assign(time_us=series.times[[700]], value=series.values[[700]])
    svg = hydrograph_svg(_window(series), at)
    stripes = _of_class(svg, "rect", "stripe")
    wide = sorted(float(s.get("width")) for s in stripes)
    assert len(stripes) == 3
    assert pytest.approx(wide[0], abs=2) == 100 / 2000 * 860
    assert {"ice", "shift held beyond the visits it was found at"} <= set(texts(svg))
    diamond = numbers(_of_class(svg, "path", "this")[0])[:4].mean(axis=0)
    line = numbers(_of_class(svg, "path", "fine")[0])
    assert np.hypot(*(line - diamond).T).min() < 0.5


def test_means_are_levels_and_uneven_readings_are_dots():
    """A mean is drawn level over its whole step; readings that no line joins are dots of no length."""
    series = _series(5)
    levels = Series(**(vars(series) | {"levels": True}))
    line = numbers(_of_class(hydrograph_svg(_window(levels)), "path", "fine")[0])
    assert len(line) == 10
    np.testing.assert_array_equal(line[::2, 1], line[1::2, 1])
    np.testing.assert_allclose(line[1:-1:2, 0], line[2::2, 0], atol=0.02)
    dots = Series(**(vars(series) | {"joined": False, "step": 0.0}))
    assert _of_class(hydrograph_svg(_window(dots)), "path", "dots")[0].get("d").count("M") == 5


def test_gaugings_with_an_address_are_links_and_faint_ones_are_drawn_first():
    """Each gauging is a link named by its numbers; one of another rating's time is faint and lies under the others."""
    rows = GAUGED.assign(
        href=["/a", "/b", "/c", "/d"], faint=[False, False, True, False], hint=[HOSTILE, "b", "c", "d"]
    )
    root = parsed(rating_svg(rows, RATING))
    assert root.get("role") == "group"
    links = list(root.iter(f"{SVG}a"))
    assert [a.get("href") for a in links] == ["/c", "/a", "/d", "/b"]
    assert links[1].get("aria-label") == "\"><script>alert('x')</script>&amp;\\u001b\\u202e"
    assert [a.find(f"{SVG}g").get("class") for a in links] == ["gauging faint", "gauging", "gauging", "gauging"]


def test_map_lays_sites_out_by_degrees():
    """North is up and east right; a degree of longitude is shorter than one of latitude by the cosine of latitude."""
    sites = pd.DataFrame(
        {"site": list("abc"), "name": "n", "latitude": [60.0, 60.0, 61.0], "longitude": [10.0, 11.0, 10.0]}
    )
    root = parsed(map_svg(sites.assign(href="/x")))
    places = {a.get("aria-label")[5]: numbers(a.find(f"{SVG}g/{SVG}path")).mean(axis=0) for a in root.iter(f"{SVG}a")}
    east, north = places["b"] - places["a"], places["a"] - places["c"]
    assert east[0] > 0
    assert north[1] > 0
    assert east[0] / north[1] == pytest.approx(np.cos(np.radians(60.5)), rel=2e-3)
    assert map_svg(sites.assign(latitude=np.nan)) is None


def test_duration_falls_and_says_its_median():
    """The curve never rises, and the discharge reached on half of the days is the median of the days drawn from."""
    q = np.arange(1.0, 100.0)[::-1]
    svg = duration_svg(pd.DataFrame({"discharge_m3_s": q, "reached_pct": np.arange(1, 100.0)}))
    line = numbers(_of_class(svg, "path", "curve")[0])
    assert (np.diff(line, axis=0) >= 0).all()
    assert "50 m³/s on 50 % of days" in texts(svg)
    assert "too few days" in texts(duration_svg(pd.DataFrame({"discharge_m3_s": [0.0], "reached_pct": [50.0]})))[0]


def test_duration_leaves_out_what_nearly_stands_still():
    """Discharges under a ten-thousandth of the greatest are left out, which is said, and nothing leaves the plot."""
    q = 10.0 ** np.linspace(1, -9, 99)
    svg = duration_svg(pd.DataFrame({"discharge_m3_s": q, "reached_pct": np.arange(1, 100.0)}))
    line = numbers(_of_class(svg, "path", "curve")[0])
    kept = int((q >= 10.0**-3 * (1 - 1e-12)).sum())
    assert line.shape == (kept, 2)
    assert "below 0.001 m³/s nothing is drawn" in texts(svg)
    assert not any("on 95 % of days" in text for text in texts(svg))


def test_names_of_limits_stand_clear_of_each_other():
    """Two limits close together are named above the upper and below the lower, not one across the other."""
    rows = pd.DataFrame({"time_us": [0, 10**12], "value": [40.0, 41.0], "series": [0, 0], "label": ["a", "b"]})
    verdicts = pd.DataFrame({"time_us": [0, 10**12], "verdict": ["healthy", "healthy"], "label": ["a", "b"]})
    quantity = Quantity("signal-to-noise ratio, dB", rows, ((4.0, "unfit below 4"), (10.0, "wanted 10")))
    svg = health_svg(verdicts, [quantity], np.array([]))
    feet = {e.text: float(e.get("y")) for e in parsed(svg).iter(f"{SVG}text")}
    lines = sorted(float(e.get("y1")) for e in parsed(svg).iter(f"{SVG}line") if e.get("class") == "limit")
    assert lines[1] - lines[0] < 15, "the limits are not close together, so that this shows nothing"
    assert feet["wanted 10"] < lines[0]
    assert feet["unfit below 4"] > lines[1] + 8


@given(
    st.lists(
        st.tuples(st.floats(60, 700), st.floats(40, 380), st.text("abc-0123", min_size=1, max_size=24)), max_size=40
    )
)
def test_labels_touch_no_mark_and_no_label(marks):
    """Every label that is placed stands in the frame, and clear of all marks and of all other labels."""
    boxes = [(x, y - 10, x + LETTER * len(text), y + 2) for x, y, text in placed(marks, (50, 30, 710, 390))]
    assert len(boxes) <= len(marks)
    taken = [(x - 5, y - 5, x + 5, y + 5) for x, y, _ in marks]
    for i, one in enumerate(boxes):
        assert one[0] > 50
        assert one[2] < 710
        for other in [*boxes[:i], *taken]:
            assert one[2] < other[0] or one[0] > other[2] or one[3] < other[1] or one[1] > other[3]


def test_meter_has_a_mark_per_check_and_a_line_per_limit():
    """Verdicts, values per receiver and limits are all there; a figure beyond its limit lies beyond its line."""
    checks = pd.DataFrame({"time_us": [0, 10**13, 2 * 10**13], "verdict": ["healthy", "watch", "unfit"], "label": "c"})
    rows = pd.DataFrame(
        {
            "time_us": [0, 10**13, 2 * 10**13] * 2,
            "value": [30, 20, 3, 31, 30, 29],
            "series": [1] * 3 + [2] * 3,
            "label": "c",
        }
    )
    svg = health_svg(
        checks, [Quantity("signal", rows, ((4.0, "unfit below 4"),)), Quantity("none", rows.assign(value=np.nan))]
    )
    root = parsed(svg)
    assert [e.get("data-verdict") for e in root.iter() if e.get("data-verdict")] == ["healthy", "watch", "unfit"]
    limit = next(e for e in root.iter() if e.get("data-limit") == "4")
    lines = [numbers(p) for css in ("l-river", "l-ochre") for p in _of_class(svg, "path", css)]
    assert len(lines) == 2
    assert lines[0][2, 1] > float(limit.get("y1")) > lines[1][2, 1]
    assert "none" not in texts(svg)
    assert "never checked" in texts(health_svg(checks.iloc[:0], []))[0]


def test_empty_things_are_said_in_words():
    """No budget, no gauging, no record: a sentence each."""
    nothing = [
        budget_svg(BUDGET.iloc[:0]),
        rating_svg(GAUGED.iloc[:0]),
        rating_svg(GAUGED.iloc[[3]], log=True),
        hydrograph_svg(_window(_series(0))),
    ]
    for svg in nothing:
        assert any(len(t) > 15 and t.endswith(".") for t in texts(svg))


def test_names_become_ids():
    """Any name gives an id of plain letters; text is escaped for attributes too."""
    assert slug("A/b !") == "a-b"
    assert slug("<>") == "drawing"
    assert escaped("\"'<>&") == "&quot;&#39;&lt;&gt;&amp;"
