"""Plots one reads off: envelopes against plain numpy, what stands under the pointer, markers, wheel, drag and pinch."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hands import Finger
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from crankfold.analysis import Capture, Result
from crankfold.viewer.picture import fold_of, look, strip_of
from crankfold.viewer.session import Answered, Caught, Judged, Opened, Readying
from crankfold.viewer.window.fold_view import cut_fold
from crankfold.viewer.window.plots import Pyramid, StripWindow, current_layer, judged_strip, second_layer, strip_reading
from crankfold.viewer.window.plots.strip_items import scaled_to, scales_of
from crankfold.viewer.window.plots.strip_window import cut_to

LONG = np.random.default_rng(11).normal(size=70_001)
PYRAMID = Pyramid(LONG)


@given(st.integers(0, 70_001), st.integers(0, 70_001), st.integers(1, 900))
@settings(max_examples=80, deadline=None)
def test_no_sample_is_outside_its_column(one: int, other: int, columns: int) -> None:
    start, stop = sorted((one, other))
    first, low, high = PYRAMID.envelope(start, stop, columns)
    assert len(first) == len(low) == len(high) <= columns
    if stop == start:
        assert not len(first)
        return
    column = np.searchsorted(first, np.arange(start, stop), side="right") - 1
    assert column.min() >= 0
    assert (low[column] <= LONG[start:stop]).all()
    assert (high[column] >= LONG[start:stop]).all()


def test_a_single_spike_among_a_million_samples_is_seen() -> None:
    value = np.zeros(1_000_003)
    value[777_777] = 5.0
    _, _, high = Pyramid(value).envelope(0, len(value), 800)
    assert high.max() == 5.0


def test_samples_that_are_missing_hide_no_others() -> None:
    value = np.where(np.arange(20_000) % 3 == 0, np.nan, 1.0)
    _, low, high = Pyramid(value).envelope(0, 20_000, 100)
    assert (low == 1.0).all() and (high == 1.0).all()
    assert Pyramid(np.full(10, np.nan)).span(0, 10) is None


def test_zoomed_in_each_sample_is_a_point_of_the_line(dead_three: Capture, uneven_result: Result) -> None:
    from crankfold.viewer.picture import Box

    layer = current_layer(dead_three, uneven_result)
    assert layer is not None
    data = cut_to(strip_of(uneven_result, dead_three), (1.5, 1.52))
    scales = scales_of(scaled_to(data, layer, with_second=False), Box(0.0, 0.0, 900.0, 300.0))
    points = layer.path(scales, look.LIGHT.ink).points
    assert len(points) == pytest.approx(0.02 * dead_three.rate_hz, abs=3)
    k = round(1.51 * dead_three.rate_hz)
    truth = (dead_three.samples[k, 0] - uneven_result.trace.zero) * uneven_result.trace.polarity
    assert np.abs(points - (scales.x(k / dead_three.rate_hz), scales.y(truth))).sum(axis=1).min() < 0.6


def test_the_vertical_scale_follows_what_is_shown(dead_three: Capture, uneven_result: Result) -> None:
    layer, data = current_layer(dead_three, uneven_result), strip_of(uneven_result, dead_three)
    assert layer is not None
    inrush, later = (scaled_to(cut_to(data, window), layer, with_second=True) for window in ((0.5, 1.0), (2.0, 3.0)))
    assert inrush.top > 1.5 * later.top


def test_a_reading_agrees_with_the_samples(dead_three: Capture, uneven_result: Result) -> None:
    current, second = current_layer(dead_three, uneven_result), second_layer(dead_three)
    hump = next(h for h in strip_of(uneven_result, dead_three).humps if h.position == 2 and h.time_s > 1.5)
    read = strip_reading(uneven_result, current, second, hump.time_s)
    k = round(hump.time_s * dead_three.rate_hz)
    assert read.cylinder == "4"  # third in 1-3-4-2
    assert read.angle_deg == pytest.approx(360.0, abs=0.5)
    assert read.current == pytest.approx(float(dead_three.samples[k, 0]), abs=30.0)
    assert read.second == pytest.approx(float(dead_three.samples[k, 1]))
    assert read.second_unit == dead_three.channels[1].unit
    before = strip_reading(uneven_result, current, second, 0.01)
    assert before.angle_deg is None and not before.cylinder


def test_a_second_channel_is_drawn_in_its_own_unit(dead_three: Capture, uneven_result: Result) -> None:
    from crankfold.viewer.picture import Box, Words

    data, second = strip_of(uneven_result, dead_three), second_layer(dead_three)
    items = judged_strip(data, uneven_result, Box(0.0, 0.0, 900.0, 300.0), StripWindow.of(data), look.LIGHT,
                         layers=(current_layer(dead_three, uneven_result), second))
    told = " ".join(item.text for item in items if isinstance(item, Words))
    assert f"{dead_three.channels[1].name}: " in told
    assert dead_three.channels[1].unit in told


def test_a_part_of_a_fold_is_the_same_curve(uneven_result: Result) -> None:
    whole = fold_of(uneven_result)
    assert whole is not None
    part = cut_fold(whole, (100.0, 200.0))
    assert (part.angle_deg[0], part.angle_deg[-1]) == (100.0, 200.0)
    assert part.middle == pytest.approx(np.interp(part.angle_deg, whole.angle_deg, whole.middle))
    assert part.top - part.bottom < whole.top - whole.bottom
    assert all(100.0 <= lane.start_deg < lane.end_deg <= 200.0 for lane in part.lanes)


@pytest.fixture
def page(bench: Any, dead_three: Capture, uneven_result: Result, question: Any) -> Any:
    window = bench.window()
    judged = Judged(dead_three, uneven_result, question(sync="waste-spark:1"), (0.9, 1.2))
    for news in (Readying(live=True), Opened("test board"), Caught(1), Answered(1, judged)):
        window.take(news)
    bench.application.processEvents()
    return window.page


def at(view: Any, share: float) -> QPoint:
    """Return the pixel at a share of a plot's width, at half its height."""
    plot = view.plot()
    x, y = plot.left + share * plot.width, plot.top + 0.6 * plot.height
    return QPoint(round(x * view.unit), round(y * view.unit))


@pytest.mark.parametrize("name", ["strip", "fold"])
def test_pointer_wheel_drag_and_markers(page: Any, name: str) -> None:
    view = getattr(page, name)
    QTest.mouseMove(view, at(view, 0.5))
    QApplication.processEvents()
    where, told = view.read()
    assert where == pytest.approx(sum(view.window_.shown_s) / 2.0, rel=0.01)
    assert " A" in told and " deg" in told and "cylinder" in told
    under = view.place_at(at(view, 0.7).x() / view.unit)
    turned = QWheelEvent(QPointF(at(view, 0.7)), QPointF(at(view, 0.7)), QPoint(), QPoint(0, 480),
                         Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False)
    QApplication.sendEvent(view, turned)
    assert view.window_.length_s < 0.5 * (view.window_.whole_s[1] - view.window_.whole_s[0])
    assert view.place_at(at(view, 0.7).x() / view.unit) == pytest.approx(under, rel=1e-3)
    for share in (0.3, 0.8):
        QTest.mouseClick(view, Qt.MouseButton.LeftButton, pos=at(view, share))
    first, second = view.window_.marks_s
    assert second - first == pytest.approx(0.5 * view.window_.length_s, rel=0.02)
    QTest.mousePress(view, Qt.MouseButton.LeftButton, pos=at(view, 0.8))
    QTest.mouseMove(view, at(view, 0.6))
    QTest.mouseRelease(view, Qt.MouseButton.LeftButton, pos=at(view, 0.6))
    assert view.window_.marks_s[1] == pytest.approx(view.place_at(at(view, 0.6).x() / view.unit))
    assert view.window_.marks_s[0] == first


@pytest.mark.parametrize("name", ["strip", "fold"])
def test_two_fingers_zoom_and_pan(page: Any, name: str) -> None:
    view, window = getattr(page, name), page.window().windowHandle()
    Finger.device = Finger.device or QTest.createTouchDevice()

    def touch(kind: str, *shares: float) -> None:
        event = QTest.touchEvent(window, Finger.device)
        for k, share in enumerate(shares):
            getattr(event, kind)(k, view.mapTo(page.window(), at(view, share)), window)
        event.commit()
        QApplication.processEvents()

    whole = view.window_.length_s
    places = [view.place_at(at(view, share).x() / view.unit) for share in (0.45, 0.55)]
    touch("press", 0.45, 0.55)
    touch("move", 0.4501, 0.55)
    touch("move", 0.3, 0.7)
    touch("release", 0.3, 0.7)
    assert view.window_.length_s == pytest.approx(whole / 4.0, rel=0.05)
    seen = [view.place_at(at(view, share).x() / view.unit) for share in (0.3, 0.7)]
    assert seen == pytest.approx(places, rel=0.03)
    assert view.window_.marks_s == ()
