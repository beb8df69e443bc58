"""Strip, fold and wheel: their arithmetic, the SVG that is written, its size and speed, and text that stays text."""

from __future__ import annotations

import itertools
import struct
import time
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Capture, Cylinder, Engine, Notice, Result, Thresholds
from crankfold.analysis.answer import judge
from crankfold.analysis.signal import RunUp
from crankfold.viewer.picture import (
    HEIGHT,
    HUB_SHARE,
    WIDTH,
    Box,
    Path,
    Scene,
    Words,
    draw_fold,
    draw_strip,
    draw_wheel,
    fold_of,
    look,
    measures,
    picture_of,
    strip_of,
    wheel_of,
    write_png,
    write_svg,
)
from crankfold.viewer.picture.fold import _over_cycles, lanes_of
from crankfold.viewer.picture.strip import envelope, hump_places
from crankfold.viewer.picture.wheel import FULL_PERCENT, bar, half_width, point, radius

SVG = "{http://www.w3.org/2000/svg}"
MOST_BYTES = 300_000
BUDGET_S = 0.060


def texts(scene: Scene) -> list[str]:
    return [item.text for item in scene.items if isinstance(item, Words)]


def many_cylinders(count: int) -> Result:
    percents = np.linspace(100.0, 60.0, count)
    engine = Engine(tuple(range(1, count + 1)))
    verdict, cylinders = judge(percents, np.stack([percents - 3, percents + 3], 1), engine.firing_order, Thresholds())
    return Result(verdict, engine, cylinders=cylinders)


def test_the_envelope_keeps_every_extreme_and_is_small() -> None:
    rng = np.random.default_rng(4)
    time_s = np.arange(200_000) / 10_000.0
    value = rng.standard_normal(len(time_s))
    when, what = envelope(time_s, value, (0.0, 20.0), 1000)
    assert len(when) == len(what) <= 2000
    assert (what.min(), what.max()) == (value.min(), value.max())
    assert (np.diff(when) >= 0).all()


def test_the_envelope_leaves_short_traces_alone_and_bears_gaps() -> None:
    time_s, value = np.arange(50) / 10.0, np.arange(50.0)
    assert envelope(time_s, value, (0.0, 9.0), 100)[1].tolist() == value.tolist()
    holed = np.arange(10_000.0)
    holed[2000:6000] = np.nan
    what = envelope(np.arange(10_000) / 1000.0, holed, (0.0, 10.0), 100)[1]
    assert np.isnan(what).any()
    assert np.nanmax(what) == 9999.0


def test_hump_places_follow_the_firing_order(uneven_result) -> None:
    places = hump_places(uneven_result.estimate, uneven_result)
    positions = [p.position for p in places]
    assert len(places) > 12
    assert all(b == (a + 1) % 4 for a, b in itertools.pairwise(positions))
    spacing = np.diff([p.time_s for p in places])
    assert 0.08 < spacing.min() <= spacing.max() < 0.25


@pytest.mark.parametrize("engine", [Engine((1, 3, 4, 2)), Engine((1, 2), (270.0, 450.0)),
                                    Engine((1, 6, 5, 4, 3, 2), (90.0, 150.0)), Engine((1,)), Engine((1, 2), strokes=2)])
def test_lanes_cover_the_cycle_once_and_hold_their_tdc(engine: Engine) -> None:
    lanes = lanes_of(engine)
    assert sum(lane.end_deg - lane.start_deg for lane in lanes) == pytest.approx(engine.cycle_deg)
    for one, other in itertools.pairwise(lanes):
        assert one.end_deg == pytest.approx(other.start_deg)
    assert all(lane.start_deg < lane.tdc_deg < lane.end_deg for lane in lanes)


def test_the_fold_lays_cycles_on_each_other_and_the_model_on_them(uneven_result) -> None:
    fold = fold_of(uneven_result)
    assert fold is not None
    middle = fold.middle
    assert len(fold.cycles) >= 5
    assert np.isfinite(middle).mean() > 0.95
    spread = np.nanstd(fold.cycles - middle, axis=None)
    assert spread < 0.15 * np.ptp(middle[np.isfinite(middle)])
    both = np.isfinite(fold.model) & np.isfinite(middle)
    assert both.mean() > 0.5
    assert np.corrcoef(fold.model[both], middle[both])[0, 1] > 0.95
    dead = fold.lanes[1]
    inside = (fold.angle_deg > dead.start_deg) & (fold.angle_deg < dead.tdc_deg)
    assert np.nanmax(middle[inside]) < 0.8 * np.nanmax(middle)


def test_there_is_no_fold_without_an_estimate(uneven_result) -> None:
    assert fold_of(replace(uneven_result, estimate=None)) is None
    assert fold_of(replace(uneven_result, trace=None)) is None


def test_spokes_point_where_cylinders_fire_and_are_as_long_as_they_compress() -> None:
    result = many_cylinders(4)
    wheel = wheel_of(result)
    assert wheel is not None
    assert [s.turn_deg for s in wheel.spokes] == [0.0, 90.0, 180.0, 270.0]
    assert point(0.0, 10.0) == pytest.approx((0.0, -10.0))
    assert point(90.0, 10.0) == pytest.approx((10.0, 0.0))
    hub = radius(0.0, 100.0)
    assert hub == pytest.approx(100.0 * HUB_SHARE)
    assert radius(50.0, 100.0) - hub == pytest.approx((radius(100.0, 100.0) - hub) / 2.0)
    assert radius(FULL_PERCENT, 100.0) == pytest.approx(100.0)
    shape = bar(0.0, 5.0, 20.0, 80.0)
    assert shape[:, 0].tolist() == pytest.approx([-5, 5, 5, -5])
    assert shape[:, 1].tolist() == pytest.approx([-20, -20, -80, -80])


@pytest.mark.parametrize("intervals", [(), (90.0, 150.0)])
def test_spokes_do_not_touch_each_other(intervals: tuple[float, ...]) -> None:
    engine = Engine((1, 6, 5, 4, 3, 2), intervals)
    values = np.full(6, 100.0)
    _, cylinders = judge(values, np.stack([values, values], 1), engine.firing_order, Thresholds())
    wheel = wheel_of(Result("even", engine, cylinders=cylinders))
    assert wheel is not None
    half, inner = half_width(wheel.wide_deg, 100.0), radius(0.0, 100.0)
    turns = [s.turn_deg for s in wheel.spokes]
    narrow = np.radians(min(b - a for a, b in itertools.pairwise(turns)))
    assert half <= inner * np.tan(narrow / 2.0) + 1e-9


def test_the_picture_is_valid_small_fast_and_needs_nothing_from_outside(uneven_result, dead_three) -> None:
    spent = []
    for _ in range(5):
        began = time.perf_counter()
        text = write_svg(picture_of(uneven_result, dead_three, marks_s=(1.0, 1.5), name="dead.csv"))
        spent.append(time.perf_counter() - began)
    root = ET.fromstring(text)
    assert root.tag == f"{SVG}svg"
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
        "svg", "title", "desc", "defs", "pattern", "rect", "path", "circle", "text"}
    assert "href" not in text
    assert "<script" not in text
    assert len(text.encode()) < MOST_BYTES
    assert min(spent) < 3 * BUDGET_S, spent


def test_a_low_cylinder_is_red_and_hatched_and_says_so(uneven_result, dead_three) -> None:
    scene = picture_of(uneven_result, dead_three)
    hatched = [item for item in scene.items if getattr(item, "hatch", None) == look.LIGHT.vermilion]
    assert len(hatched) >= 2
    assert texts(scene)[texts(scene).index("no") + 1] == "compression"  # beside a spoke that points sideways
    assert any(isinstance(i, Words) and i.text == "3" and i.colour == look.LIGHT.vermilion for i in scene.items)
    even = replace(uneven_result, cylinders=tuple(replace(c, state="good") for c in uneven_result.cylinders))
    assert not [i for i in picture_of(even, dead_three).items if getattr(i, "hatch", None) == look.LIGHT.vermilion]


def test_everything_stays_on_the_page(uneven_result, even_result, dead_three, healthy) -> None:
    for result, capture in ((uneven_result, dead_three), (even_result, healthy)):
        for item in picture_of(result, capture, name="x" * 500).items:
            if isinstance(item, Words) and not item.turn_deg:
                wide = measures.width_of(item.text, item.size, item.face)
                left = item.x - {"start": 0.0, "middle": wide / 2.0, "end": wide}[item.anchor]
                assert left >= 0
                assert left + wide <= WIDTH
                assert 0 < item.y < HEIGHT
            if isinstance(item, Path):
                points = item.points[np.isfinite(item.points).all(axis=1)]
                assert (points >= -1.0).all()
                assert (points <= (WIDTH + 1.0, HEIGHT + 1.0)).all()


@pytest.mark.parametrize("count", [2, 8, 12, 16])
def test_any_number_of_cylinders_is_drawn(count: int, healthy) -> None:
    scene = picture_of(many_cylinders(count), healthy)
    assert ET.fromstring(write_svg(scene)) is not None


def test_a_refused_capture_shows_the_bare_trace_and_the_reason(healthy) -> None:
    result = Result("none", Engine((1, 3, 4, 2)), reasons=(Notice("no-cranking", {"unit": "A"}),))
    scene = picture_of(result, healthy)
    assert "No verdict: no cranking found." in texts(scene)
    assert any("Clamp the one cable" in text for text in texts(scene))


@pytest.mark.parametrize("capture", [
    Capture.from_arrays(np.zeros(1000), rate_hz=1000.0),
    Capture.from_arrays(np.full(2, np.nan), rate_hz=1000.0),
    Capture.from_arrays([1.0], rate_hz=1000.0),
    Capture.from_arrays(np.full(500, 1e30), rate_hz=1000.0),
], ids=["flat", "lost", "one", "huge"])
def test_a_bare_strip_can_be_drawn_of_anything(capture: Capture) -> None:
    result = Result("none", Engine((1, 2)), reasons=(Notice("no-cranking", {}),))
    assert strip_of(result, capture).window_s[1] > 0
    ET.fromstring(write_svg(picture_of(result, capture)))


def test_hostile_text_stays_text(healthy) -> None:
    evil = "</text><script>alert(1)</script>&\x00\x1b[2J\ud800\uffff\u202e"
    result = Result("none", replace(Engine((1, 2)), name=evil), reasons=(Notice("no-cranking", {}),))
    text = write_svg(picture_of(result, healthy, name=evil))
    root = ET.fromstring(text.encode("utf-8"))
    assert not [e for e in root.iter() if "script" in e.tag]
    assert "<script" not in text


def test_the_png_is_sharp_and_uses_the_fonts_that_ship(even_result, healthy) -> None:
    image = write_png(picture_of(even_result, healthy), scale=1.0)
    assert image.startswith(b"\x89PNG\r\n\x1a\n")
    assert struct.unpack(">II", image[16:24]) == (round(WIDTH), round(HEIGHT))
    bare = write_png(replace_words(picture_of(even_result, healthy)), scale=1.0)
    assert len(image) > len(bare) + 5_000  # the words were drawn


def replace_words(scene: Scene) -> Scene:
    return Scene(scene.width, scene.height, scene.ground, items=[i for i in scene.items if not isinstance(i, Words)])


@pytest.mark.parametrize("paper", [look.LIGHT, look.DARK], ids=["light", "dark"])
def test_words_are_readable_on_their_paper(paper: look.Paper) -> None:
    """Contrast of normal text, 4.5 to 1: Web Content Accessibility Guidelines 2.1, success criterion 1.4.3."""
    for ground in (paper.paper, paper.card, paper.blush):
        for words in (paper.ink, paper.faint, paper.vermilion):
            assert look.contrast(words, ground) >= 4.5, (words, ground)
    assert look.contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_ticks_are_round_and_inside() -> None:
    assert measures.ticks(0.0, 10.0, 5) == [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    assert measures.ticks(-0.31, 0.29, 6) == pytest.approx([-0.3, -0.2, -0.1, 0.0, 0.1, 0.2])
    assert measures.ticks(5.0, 5.0, 5) == []
    assert measures.ticks(0.0, float("nan"), 5) == []


def test_text_is_fitted_and_broken() -> None:
    assert measures.fit("short", 10.0, 1000.0) == "short"
    fitted = measures.fit("a very long name indeed", 10.0, 60.0)
    assert fitted.endswith("...")
    assert measures.width_of(fitted, 10.0) <= 60.0
    lines = measures.wrap("one two three four five six seven", 10.0, 60.0, 3)
    assert len(lines) == 3
    assert all(measures.width_of(line, 10.0) <= 60.0 for line in lines)


def test_cylinders_above_the_rim_are_cut_there() -> None:
    cylinders = tuple(Cylinder(k, k, 180.0, (170.0, 190.0), "good") for k in (1, 2))
    wheel = wheel_of(Result("even", Engine((1, 2)), cylinders=cylinders))
    assert wheel is not None
    assert all(s.percent == s.high_percent == FULL_PERCENT for s in wheel.spokes)


@pytest.mark.parametrize("percent", [10.0, 50.0, 90.0])
def test_percentiles_over_cycles_are_those_of_numpy(percent: float) -> None:
    values = np.random.default_rng(3).standard_normal((7, 50))
    values[np.random.default_rng(4).random((7, 50)) < 0.3] = np.nan
    values[0, :] = 1.0
    assert _over_cycles(values, percent) == pytest.approx(np.nanpercentile(values, percent, axis=0))
    values[:, 3] = np.nan
    assert np.isnan(_over_cycles(values, percent)[3])


def test_a_lit_cylinder_stands_out_in_all_three_views(uneven_result, dead_three) -> None:
    box, paper = Box(0.0, 0.0, 900.0, 400.0), look.LIGHT
    strip, fold, wheel = strip_of(uneven_result, dead_three), fold_of(uneven_result), wheel_of(uneven_result)
    assert fold is not None
    assert wheel is not None
    views = (lambda lit: draw_strip(strip, uneven_result, box, paper, lit=lit),
             lambda lit: draw_fold(fold, uneven_result, box, paper, lit=lit),
             lambda lit: draw_wheel(wheel, box, paper, cycle_deg=720.0, limit_percent=75.0, lit=lit))
    for view in views:
        drawn = [write_svg(Scene(900.0, 400.0, paper.paper, items=view(lit))) for lit in (None, 1, 3)]
        assert len(set(drawn)) == 3


def test_the_run_up_is_drawn_as_what_it_is(uneven_result, dead_three):
    """Not judged, but no fault of the recording: it has a name of its own."""
    trace = uneven_result.trace
    ends_s = trace.crank.start_s + 0.9
    slow = replace(trace, run_up=RunUp(ends_s, settled=True, level=1.4), steady_from_s=ends_s)
    kinds = {s.kind: s for s in strip_of(replace(uneven_result, trace=slow), dead_three).stretches}
    assert kinds["run-up"].start_s == pytest.approx(kinds["in-rush"].end_s)
    assert kinds["run-up"].end_s == pytest.approx(ends_s)
    assert "unused" not in kinds
    unsettled = replace(slow, run_up=RunUp(ends_s, settled=False, level=1.0))
    assert "run-up" not in {s.kind for s in strip_of(replace(uneven_result, trace=unsettled), dead_three).stretches}
