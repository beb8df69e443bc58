"""Captures: shapes, units, gaps, and conversions that keep codes and clip limits right."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.analysis import Capture, Channel, Gap, InputError, find_gaps


def test_arrays_become_a_capture_that_cannot_be_changed() -> None:
    current = np.arange(10.0)
    capture = Capture.from_arrays(current, rate_hz=5.0, sync=current * 2)
    current[0] = 99.0
    assert capture.samples.shape == (10, 2) and capture.samples.flags.c_contiguous
    assert capture.samples[0, 0] == 0.0
    assert capture.duration_s == 2.0
    column = capture.column("sync")
    assert column is not None and column[3] == 6.0
    assert capture.column("pressure") is None
    with pytest.raises(ValueError, match="read-only"):
        capture.samples[0, 0] = 1.0


def test_lost_samples_are_nan_and_the_index_stays_the_clock() -> None:
    capture = Capture(np.ones((8, 1)), 1.0, (Channel("current", "A"),), gaps=(Gap(2, 3),))
    assert np.flatnonzero(np.isnan(capture.samples[:, 0])).tolist() == [2, 3, 4]
    assert len(capture.samples) == 8


@pytest.mark.parametrize(("change", "says"), [
    ({"samples": np.ones((8, 2))}, "do not fit 1 channels"),
    ({"samples": np.ones((2, 2, 2))}, "do not fit"),
    ({"rate_hz": 0.0}, "isn't possible"), ({"rate_hz": float("nan")}, "isn't possible"),
    ({"trigger_index": 8}, "outside"), ({"gaps": (Gap(7, 2),)}, "outside"), ({"gaps": (Gap(3, 0),)}, "outside"),
])
def test_what_does_not_fit_is_refused_in_words(change: dict[str, object], says: str) -> None:
    whole: dict[str, object] = {"samples": np.ones((8, 1)), "rate_hz": 1.0, "channels": (Channel("current"),)}
    with pytest.raises(InputError, match=says):
        Capture(**{**whole, **change})


@pytest.mark.parametrize("scale", [0.0, float("nan"), float("inf")])
def test_a_channel_needs_a_scale_that_means_something(scale: float) -> None:
    with pytest.raises(InputError, match="scale"):
        Channel("current", "V", scale)


def test_arrays_of_different_lengths_are_refused() -> None:
    with pytest.raises(InputError, match="equally long"):
        Capture.from_arrays([1.0, 2.0], rate_hz=1.0, sync=[1.0])


@given(st.floats(-1e3, 1e3).filter(lambda x: abs(x) > 1e-3), st.floats(-10, 10))
def test_a_rescaled_channel_keeps_codes_and_limits(factor: float, offset: float) -> None:
    channel = Channel("current", "V", 5.0 / 1023, 0.0, (0, 1023), "int16")
    codes = np.array([0, 100, 512, 1023])
    whole = Capture((codes * channel.scale).reshape(-1, 1), 100.0, (channel,))
    capture = whole.rescaled("current", factor, "A", offset)
    after = capture.channels[0]
    assert after.unit == "A"
    np.testing.assert_allclose(codes * after.scale + after.offset, capture.samples[:, 0], rtol=1e-9, atol=1e-9)
    limits = after.value_range()
    assert limits is not None
    assert limits == pytest.approx((capture.samples.min(), capture.samples.max()))


def test_there_is_nothing_to_rescale_without_the_channel() -> None:
    with pytest.raises(InputError, match="no channel 'sync'"):
        Capture.from_arrays([1.0], rate_hz=1.0).rescaled("sync", 2.0, "V")


@given(st.lists(st.booleans(), max_size=50))
def test_gaps_cover_exactly_what_was_lost(lost: list[bool]) -> None:
    gaps = find_gaps(lost)
    covered = np.zeros(len(lost), dtype=bool)
    for gap in gaps:
        covered[gap.start : gap.stop] = True
    assert covered.tolist() == lost
    assert all(a.stop < b.start for a, b in pairwise(gaps))


def test_channels_stay_as_they_are_and_are_found_by_name() -> None:
    channel = Channel("current", "V", 0.5, 1.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        vars(type(channel))["__setattr__"](channel, "unit", "A")
    assert (channel.rescaled(2.0, "A").scale, channel.rescaled(2.0, "A").offset) == (1.0, 2.0)
    capture = Capture.from_arrays(np.arange(4.0), rate_hz=5.0, sync=np.arange(4.0))
    assert capture.index_of("".join(["sy", "nc"])) == 1  # another object of the same text
    with pytest.raises(InputError):
        Capture(capture.samples, 5.0, capture.channels, gaps=(Gap(-1, 1),))


def test_codes_are_their_own_values_until_somebody_says_a_scale() -> None:
    assert Channel("current", code_range=(0, 1023)).value_range() == (0.0, 1023.0)


@pytest.mark.parametrize("gap", [Gap(5, -2), Gap(5, 0), Gap(-1, 3), Gap(95, 6)])
def test_a_gap_that_cannot_be_is_refused(gap) -> None:
    with pytest.raises(InputError, match="gap"):
        Capture(np.zeros((100, 1)), 1000.0, (Channel("current"),), gaps=(gap,))
