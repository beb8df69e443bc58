"""No words of a picture lie on others, and hump numbers are those of whole cylinders."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.analysis import Capture, Engine, Result, Thresholds, compare
from crankfold.analysis.answer import judge
from crankfold.viewer.picture import (
    HEIGHT,
    Box,
    FoldData,
    Item,
    Words,
    comparison_picture,
    draw_fold,
    draw_strip,
    draw_wheel,
    look,
    measures,
    picture_of,
    strip_of,
    wheel_of,
)
from crankfold.viewer.picture.compare_page import LEAST_HEIGHT
from crankfold.viewer.picture.fold import lanes_of
from crankfold.viewer.picture.sheet import sheet_scene
from crankfold.viewer.picture.strip import HumpPlace
from crankfold.viewer.session import Judged, question_of

CAPITALS = 0.72  # of the type size: how high letters stand over their base line
ASKED = question_of({"firing_order": "1-3-4-2", "intervals": None, "strokes": 4, "engine_name": "", "engine": None,
                     "rig": None, "clamp": None, "probe": None, "sync": None, "gauge": None, "misfire_codes": (),
                     "low": 75.0, "dead": 15.0, "watch": None})


def box_of(words: Words) -> Box:
    wide = measures.width_of(words.text, words.size, words.face)
    left = words.x - {"start": 0.0, "middle": wide / 2.0, "end": wide}[words.anchor]
    return Box(left, words.y - CAPITALS * words.size, wide, CAPITALS * words.size)


def on_each_other(items: Iterable[Item]) -> list[tuple[str, str]]:
    """Return the pairs of words that lie on each other."""
    words = [item for item in items if isinstance(item, Words) and item.text and not item.turn_deg]
    found = []
    for one, other in itertools.combinations(words, 2):
        a, b = box_of(one), box_of(other)
        if a.left < b.right and b.left < a.right and a.top < b.bottom and b.top < a.bottom:
            found.append((one.text, other.text))
    return found


def with_cylinders(count: int, low: int | None = None) -> Result:
    percents = np.full(count, 97.0)
    percents[0] = 100.0
    if low is not None:
        percents[low % count] = 42.0
    engine = Engine(tuple(range(1, count + 1)))
    verdict, cylinders = judge(percents, np.stack([percents - 3, percents + 3], 1), engine.firing_order, Thresholds())
    return Result(verdict, engine, cylinders=cylinders)


def test_no_words_lie_on_others_in_any_picture(uneven_result: Result, even_result: Result, dead_three: Capture,
                                               healthy: Capture) -> None:
    for result, capture in ((uneven_result, dead_three), (even_result, healthy)):
        assert on_each_other(picture_of(result, capture, name="crank.h5").items) == []
        assert on_each_other(sheet_scene(Judged(capture, result, ASKED)).items) == []


@pytest.mark.parametrize("height", [HEIGHT, 900.0, LEAST_HEIGHT, 100.0])
def test_no_words_lie_on_others_before_and_after(uneven_result: Result, dead_three: Capture, height: float) -> None:
    one = Judged(dead_three, uneven_result, ASKED)
    scene = comparison_picture(one, one, compare(uneven_result, uneven_result), name="one, other", height=height)
    assert scene.height == max(height, LEAST_HEIGHT)
    assert on_each_other(scene.items) == []
    assert all(box_of(item).bottom < scene.height for item in scene.items if isinstance(item, Words))


@pytest.mark.parametrize("count", range(1, 13))
@pytest.mark.parametrize("box", [Box(0, 0, 564, 430), Box(0, 0, 388, 300), Box(0, 0, 412, 298)], ids=lambda b: b.width)
def test_no_words_lie_on_others_round_a_wheel(count: int, box: Box) -> None:
    for low in (None, 1, count // 2):
        data = wheel_of(with_cylinders(count, low))
        assert data is not None
        items = draw_wheel(data, box, look.LIGHT, cycle_deg=720.0, limit_percent=75.0)
        assert on_each_other(items) == []
        assert "75" in [item.text for item in items if isinstance(item, Words)], "the limit is always told"


@pytest.mark.parametrize("count", range(1, 17))
@pytest.mark.parametrize("wide", [592.0, 800.0, 940.0])
def test_no_words_lie_on_others_over_a_fold(count: int, wide: float) -> None:
    for named in (True, False):
        result = with_cylinders(count, 1)
        if not named:
            result = replace(result, cylinders=tuple(replace(c, cylinder=None) for c in result.cylinders))
        angle, flat = np.linspace(0.0, 719.0, 720), np.linspace(10.0, 300.0, 720)
        data = FoldData(angle, flat[None], flat, None, flat, lanes_of(result.engine), 320.0, 0.0)
        assert on_each_other(draw_fold(data, result, Box(0.0, 0.0, wide, 300.0), look.LIGHT)) == []


def numbers_of(items: Iterable[Item], y: float) -> list[Words]:
    return [item for item in items if isinstance(item, Words) and item.y == pytest.approx(y)]


@given(st.integers(2, 12), st.floats(2.0, 60.0), st.integers(0, 11), st.floats(300.0, 1600.0))
@settings(max_examples=60, deadline=None)
def test_all_humps_of_a_cylinder_are_numbered_or_none(strip: Any, count: int, humps_hz: float, low: int,
                                                      wide: float) -> None:
    data, box = strip, Box(0.0, 0.0, wide, 200.0)
    start, end = data.window_s
    times = np.arange(start + 0.1, end - 0.1, 1.0 / humps_hz)
    data = replace(data, humps=tuple(HumpPlace(k % count, float(t)) for k, t in enumerate(times)))
    result = with_cylinders(count, low)
    numbers = numbers_of(draw_strip(data, result, box, look.LIGHT), 48.0 - 10.0)
    shown = {text: sum(w.text == text for w in numbers) for text in {w.text for w in numbers}}
    for position in range(count):
        humps = sum(h.position == position for h in data.humps)
        assert shown.get(str(position + 1), 0) in ((humps,) if position == low % count else (0, humps))
    assert [pair for pair in on_each_other(numbers) if str(low % count + 1) not in pair] == []


def test_two_bold_numbers_side_by_side_do_not_read_as_one(strip: Any) -> None:
    start, end = strip.window_s
    for apart in (14.0, 18.0, 40.0):
        times = np.arange(start + 0.1, end - 0.1, apart * (end - start) / 724.0)
        data = replace(strip, humps=tuple(HumpPlace(k % 8, float(t)) for k, t in enumerate(times)))
        items = draw_strip(data, with_cylinders(8, 2), Box(0.0, 0.0, 800.0, 200.0), look.LIGHT, lit=4)
        bold = sorted((w for w in numbers_of(items, 38.0) if w.face == "serif"), key=lambda w: w.x)
        assert {w.text for w in bold} == {"3", "4"}
        gaps = [box_of(b).left - box_of(a).left - box_of(a).width for a, b in itertools.pairwise(bold)]
        assert min(gaps) >= 3.5


@pytest.fixture(scope="module")
def strip(uneven_result: Result, dead_three: Capture) -> Any:
    return strip_of(uneven_result, dead_three)


@given(st.lists(st.text("abcdefgh", min_size=1, max_size=9), min_size=1, max_size=30), st.floats(200.0, 900.0),
       st.integers(1, 3))
@settings(max_examples=80, deadline=None)
def test_even_lines_say_the_same_in_as_many_lines(words: list[str], room: float, lines: int) -> None:
    text = " ".join(words)
    wrapped, even = measures.wrap(text, 20.0, room, lines), measures.even(text, 20.0, room, lines)
    assert len(even) == len(wrapped)
    assert "".join(even).replace(" ", "") == "".join(wrapped).replace(" ", "")
    widths = [measures.width_of(line, 20.0) for line in even]
    assert max(widths) <= max(measures.width_of(line, 20.0) for line in wrapped) + 1e-9
    assert max(widths) <= room + 1e-9


def test_even_lines_leave_no_word_alone() -> None:
    text = "Put a gauge on both cylinders, then do leak-down tests. Buy no plugs, coils or injectors before that."
    assert measures.wrap(text, 27.0, 1150.0, 2)[1] == "that."
    one, other = (measures.width_of(line, 27.0) for line in measures.even(text, 27.0, 1150.0, 2))
    assert abs(one - other) < 0.15 * (one + other)
