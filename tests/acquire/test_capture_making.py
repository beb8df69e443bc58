"""Codes become a capture: units, channels put in time, gaps and indices counted from its own beginning."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from crankfold.acquire import SourceInfo
from crankfold.acquire.stream import Piece, make_capture
from crankfold.acquire.stream.caught import earlier
from crankfold.analysis import Channel, Gap

RATE = 2000.0


def source(skew_s=(), **more):
    channels = (Channel("current", "A", 0.5, -10.0, code_dtype="int16"), Channel("sync", "V", 0.01, code_dtype="int16"))
    return SourceInfo(RATE, channels, np.dtype(np.int16), "a board", skew_s=skew_s, **more)


def waves(late=0.0, count=400):
    """A sine and, sampled some samples late, the same one; both in codes of a thousandth."""
    n = np.arange(count)
    return np.stack([1000.0 * np.sin(2 * np.pi * n / 100.0), 1000.0 * np.sin(2 * np.pi * (n + late) / 100.0)])


def test_each_channel_has_its_own_scale_and_offset_however_long_it_is() -> None:
    codes = np.random.default_rng(0).integers(-2000, 2000, (2, 70_001)).astype(np.int16)
    capture = make_capture(Piece(codes, 0), source(), rate_hz=RATE)
    np.testing.assert_allclose(capture.samples[:, 0], codes[0] * 0.5 - 10.0)
    np.testing.assert_allclose(capture.samples[:, 1], codes[1] * 0.01)
    assert capture.channels == source().channels


@pytest.mark.parametrize("late", [-2.25, -0.5, 0.5, 1.0, 3.75])
def test_a_channel_sampled_late_or_early_is_put_in_time(late) -> None:
    capture = make_capture(Piece(waves(late), 0), source((0.0, late / RATE)), rate_hz=RATE)
    first, second = (capture.samples[5:-5, 0] + 10.0) / 0.5, capture.samples[5:-5, 1] / 0.01
    np.testing.assert_allclose(second, first, atol=0.6)  # a straight line misses the sine's bend by no more
    np.testing.assert_allclose(first, waves()[0, 5:-5], atol=1e-9)


def test_less_than_a_thousandth_of_a_sample_late_is_in_time_already() -> None:
    exact = make_capture(Piece(waves(), 0), source((0.0, 0.0009 / RATE)), rate_hz=RATE)
    np.testing.assert_array_equal(exact.samples[:, 1], waves()[1] * 0.01)
    moved = make_capture(Piece(waves(), 0), source((0.0, 0.0011 / RATE)), rate_hz=RATE)
    assert (moved.samples[1:, 1] != waves()[1, 1:] * 0.01).any()


def test_earlier_holds_the_ends() -> None:
    assert earlier(np.array([1.0, 3.0, 5.0]), 0.5).tolist() == [1.0, 2.0, 4.0]
    assert earlier(np.array([1.0, 3.0, 5.0]), -0.5).tolist() == [2.0, 4.0, 5.0]


@pytest.mark.parametrize(("skew", "gaps"), [
    (0.0, (Gap(10, 2), Gap(13, 2), Gap(98, 2))),
    (0.4, (Gap(10, 6), Gap(98, 2))),         # one more sample was interpolated from a lost one: they touch
    (-1.5, (Gap(10, 7), Gap(98, 2))),        # two more: they overlap
])
def test_gaps_grow_by_what_was_interpolated_from_them_and_not_beyond_the_end(skew, gaps) -> None:
    piece = Piece(np.ones((2, 100)), 1000, (Gap(1010, 2), Gap(1013, 2), Gap(1098, 2)))
    capture = make_capture(piece, source((0.0, skew / RATE)), rate_hz=RATE)
    assert capture.gaps == gaps


def test_a_long_gap_swallows_a_short_one_it_has_come_to_reach() -> None:
    piece = Piece(np.ones((2, 100)), 0, (Gap(2, 1), Gap(10, 20), Gap(31, 1), Gap(60, 1)))
    capture = make_capture(piece, source((0.0, 3.0 / RATE)), rate_hz=RATE)
    assert capture.gaps == (Gap(2, 4), Gap(10, 25), Gap(60, 4))


def test_indices_and_times_count_from_the_capture_s_own_beginning() -> None:
    began = datetime(2031, 5, 4, 12, 0, 0, tzinfo=UTC)
    capture = make_capture(Piece(np.ones((2, 100)), 3000), source(notes={"a": "1", "b": "2"}), rate_hz=1000.0,
                           trigger_index=3040, started_utc=began, notes={"b": "3"})
    assert (capture.trigger_index, capture.rate_hz) == (40, 1000.0)
    assert capture.started_utc == began  # as told: the label is the first sample's own, whatever the board's clock
    assert capture.notes == {"a": "1", "b": "3"}
    assert capture.origin == "a board"
    plain = make_capture(Piece(np.ones((2, 100)), 3000), source(address="port:1"), rate_hz=1000.0)
    assert (plain.trigger_index, plain.started_utc, plain.origin) == (None, None, "port:1")
