"""Pan, zoom, marks and the live line against plain numpy on all samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.acquire import RingBuffer
from crankfold.analysis import Capture, Channel, Result
from crankfold.viewer.picture import StripData, strip_of
from crankfold.viewer.window.plots import SHOWN_S, LiveTrace, StripWindow
from crankfold.viewer.window.plots.live import MOST_AT_ONCE, STRETCHES
from crankfold.viewer.window.plots.strip_window import CLOSEST_S, between, cut_to

WHOLE = StripWindow((0.0, 10.0), (0.0, 10.0))


@pytest.fixture
def data(uneven_result: Result, dead_three: Capture) -> StripData:
    return strip_of(uneven_result, dead_three, marks_s=(0.7, 1.2, 2.9))


@given(st.lists(st.tuples(st.sampled_from(["pan", "zoom"]), st.floats(-20.0, 20.0)), max_size=12))
@settings(max_examples=60, deadline=None)
def test_whatever_is_done_the_window_stays_on_the_strip(steps: list[tuple[str, float]]) -> None:
    window = WHOLE
    for what, amount in steps:
        window = window.panned(amount) if what == "pan" else window.zoomed(2.0 ** (amount / 4.0))
        start, end = window.shown_s
        assert -1e-9 <= start < end <= 10.0 + 1e-9
        assert window.length_s >= CLOSEST_S * (1 - 1e-9)


def test_zoom_keeps_the_instant_under_the_mouse() -> None:
    window = WHOLE.zoomed(4.0, about_s=3.0)
    assert window.length_s == pytest.approx(2.5)
    assert (3.0 - window.shown_s[0]) / window.length_s == pytest.approx(0.3)


def test_marks_by_keyboard_first_second_then_let_go() -> None:
    window = WHOLE.next_mark()
    assert window.moving == 0
    window = window.stepped(1.0)
    assert window.marks_s == pytest.approx((5.0,))
    assert window.shown_s == WHOLE.shown_s, "the arrows move the mark, not the strip"
    window = window.next_mark().stepped(-1.0)
    assert window.marks_s == pytest.approx((5.0, 5.0))
    window = window.next_mark()
    assert window.moving is None
    assert window.unmarked().marks_s == ()


def test_a_click_moves_the_nearer_of_two_marks() -> None:
    window = WHOLE.mark_at(2.0).mark_at(8.0).mark_at(7.0)
    assert window.marks_s == (2.0, 7.0)


def test_time_and_current_between_two_marks(data: StripData) -> None:
    first, second = 1.0, 1.731
    found = between(data, (second, first))
    assert found is not None
    assert found.time_s == pytest.approx(0.731)
    at = [int(np.argmin(np.abs(data.time_s - t))) for t in (first, second)]
    assert found.first == pytest.approx(data.current[at[0]], abs=15.0)
    assert found.change == pytest.approx(np.interp(second, data.time_s, data.current)
                                         - np.interp(first, data.time_s, data.current))
    assert between(data, (1.0,)) is None


def test_only_what_lies_in_the_window_is_kept(data: StripData) -> None:
    seen = cut_to(data, (1.0, 2.0))
    assert seen.marks_s == (1.2,)
    assert all(1.0 <= h.time_s <= 2.0 for h in seen.humps)
    assert 0 < len(seen.humps) < len(data.humps)
    assert seen.judged_s == (1.0, 2.0)
    assert all(s.start_s >= 1.0 and s.end_s <= 2.0 for s in seen.stretches)


CHANNELS = (Channel("current", "A", 0.5, -3.0), Channel("sync", "V", 0.1, 0.0))


def filled(rate_hz: float, codes: np.ndarray, blocks: int) -> LiveTrace:
    ring = RingBuffer(len(codes) + 1, channels=2, dtype=np.int16)
    trace = LiveTrace(ring, tuple(enumerate(CHANNELS)), rate_hz)
    for block in np.array_split(codes, blocks):
        ring.append(block)
        trace.look()
    return trace


@pytest.mark.parametrize("blocks", [1, 7, 400])
def test_the_live_line_touches_every_peak_and_trough_however_the_stream_is_cut(blocks: int) -> None:
    draw = np.random.default_rng(1)
    rate_hz = 20_000.0
    codes = draw.integers(-2000, 2000, (round(3.2 * rate_hz), 2), dtype=np.int16)
    trace = filled(rate_hz, codes, blocks)
    line = trace.line(0)
    step = round(rate_hz * SHOWN_S / STRETCHES)
    whole = codes[: len(codes) // step * step, 0].reshape(-1, step)
    assert line.value[0::2] == pytest.approx(whole.min(axis=1) * 0.5 - 3.0)
    assert line.value[1::2] == pytest.approx(whole.max(axis=1) * 0.5 - 3.0)
    assert line.time_s[0] == pytest.approx(step / 2 / rate_hz)
    assert trace.line(1).value.max() == pytest.approx(0.1 * codes[:, 1].max())


def test_a_long_stream_keeps_only_what_is_shown() -> None:
    rate_hz = 1000.0
    codes = np.arange(25_000, dtype=np.int16).repeat(2).reshape(-1, 2)
    line = filled(rate_hz, codes, 100).line(0)
    assert len(line.time_s) == pytest.approx(2 * STRETCHES, abs=2)
    assert line.time_s[-1] - line.time_s[0] == pytest.approx(SHOWN_S, rel=0.01)
    assert line.value[-1] == pytest.approx(24_999 * 0.5 - 3.0, abs=5)


def test_a_reader_left_far_behind_goes_on_near_the_end() -> None:
    ring = RingBuffer(MOST_AT_ONCE * 3, channels=1, dtype=np.int8)
    trace = LiveTrace(ring, ((0, CHANNELS[0]),), 2e6)
    ring.append(np.zeros((MOST_AT_ONCE + 50_000, 1), np.int8))
    trace.look()
    ring.append(np.ones((50_000, 1), np.int8))
    assert trace.look()
    assert trace.end_s == pytest.approx((MOST_AT_ONCE + 100_000) / 2e6, abs=0.02)
    assert trace.line(0).value[-1] == pytest.approx(0.5 - 3.0)
