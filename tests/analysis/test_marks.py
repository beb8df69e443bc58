"""Marks on the sync channel: sparks, edges, peaks, with noise, bursts and hash."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Capture, Gap, SyncSpec, find_marks
from crankfold.analysis.signal import Span
from crankfold.analysis.sync.pulses import DEAD_TIME_S

WHOLE = Span(0.0, 10.0)
WASTE, SINGLE = SyncSpec("waste-spark", 1), SyncSpec("single-spark", 1)
CAM, PRESSURE = SyncSpec("cam", 1, 40.0), SyncSpec("pressure", 1)


def recorded(signal, rate_hz, unit="kV", gaps=()):
    capture = Capture.from_arrays(np.zeros(len(signal)), rate_hz=rate_hz, sync=signal, sync_unit=unit)
    return Capture(capture.samples, rate_hz, capture.channels, gaps=gaps) if gaps else capture


def sparks(rate_hz, at, heights, *, seconds=4.0, burn_s=0.0016, noise=0.05, seed=1):
    """A channel at rest with a needle and a burn line at each moment."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    signal = noise * rng.standard_normal(len(time))
    for moment, height in zip(at, heights, strict=True):
        since = time - moment
        signal += np.where((since >= 0) & (since < burn_s), height * np.exp(-np.maximum(since, 0) / (burn_s / 2)), 0.0)
    return signal


TIMES = 0.41 + 0.31 * np.arange(11)
TALL_SHORT = np.where(np.arange(11) % 2, 2.6, 11.0)


@pytest.mark.parametrize("rate_hz", [2_000.0, 5_000.0, 20_000.0, 250_000.0, 1_000_000.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_tall_and_short_sparks_are_found_at_any_rate_and_either_way_up(rate_hz, sign):
    found = find_marks(recorded(sign * sparks(rate_hz, TIMES, TALL_SHORT), rate_hz), WASTE, WHOLE)
    assert found.count == 11
    assert np.abs(found.time_s - TIMES).max() < max(1.0 / rate_hz, 5e-5) + 1e-9
    assert found.inverted == (sign < 0)
    assert found.height[::2].min() > 1.8 * found.height[1::2].max()


def test_at_500_samples_a_second_most_sparks_are_still_seen():
    found = find_marks(recorded(sparks(500.0, TIMES, np.full(11, 12.0), burn_s=0.0025), 500.0), SINGLE, WHOLE)
    assert found.count >= 8
    assert all(np.abs(TIMES - t).min() < 0.0025 for t in found.time_s)


@pytest.mark.parametrize("unit_scale", [1.0, 1000.0, 0.001])
def test_volts_or_kilovolts_make_no_difference(unit_scale):
    found = find_marks(recorded(unit_scale * sparks(10_000.0, TIMES, TALL_SHORT), 10_000.0, "V"), WASTE, WHOLE)
    assert found.count == 11
    assert found.unit == "V"


def test_sparks_repeated_every_5_ms_are_one_mark_that_begins_with_the_first():
    at = np.concatenate([t + 0.005 * np.arange(9) for t in TIMES])
    found = find_marks(recorded(sparks(10_000.0, at, np.full(len(at), 9.0)), 10_000.0), SINGLE, WHOLE)
    assert found.count == 11
    assert np.abs(found.time_s - TIMES).max() < 2e-4
    assert set(found.pulses.tolist()) == {9}


def test_the_dead_time_spans_two_missing_repeats_but_not_the_next_turn():
    assert 0.010 <= DEAD_TIME_S < 60.0 / 600.0  # common practice, no source: no engine is cranked at 600 rpm
    at = np.array([1.0, 1.0 + DEAD_TIME_S * 0.9, 2.0, 2.0 + DEAD_TIME_S + 0.004])
    assert find_marks(recorded(sparks(10_000.0, at, np.full(4, 9.0)), 10_000.0), SINGLE, WHOLE).count == 3


def test_hash_of_a_third_of_a_single_spark_is_left_out():
    rng = np.random.default_rng(3)
    noisy = sparks(10_000.0, TIMES, np.full(11, 12.0))
    at = rng.uniform(0, 4, 150)
    noisy += sparks(10_000.0, at, rng.uniform(1.0, 3.4, 150), burn_s=0.0003, seed=4)
    found = find_marks(recorded(noisy, 10_000.0), SINGLE, WHOLE)
    assert found.count == 11


def test_one_wild_spike_does_not_hide_the_sparks():
    signal = sparks(10_000.0, TIMES, np.full(11, 10.0))
    signal[7_000] = 400.0
    assert find_marks(recorded(signal, 10_000.0), SINGLE, WHOLE).count == 12


def test_only_marks_within_the_cranking_count():
    found = find_marks(recorded(sparks(10_000.0, TIMES, TALL_SHORT), 10_000.0), WASTE, Span(1.0, 2.0))
    assert found.count == 4
    assert found.time_s.min() > 1.0
    assert found.time_s.max() < 2.0


@pytest.mark.parametrize("spec", [WASTE, SINGLE, CAM, PRESSURE])
@pytest.mark.parametrize("level", [0.0, 3.3])
def test_a_quiet_channel_has_no_marks(spec, level):
    signal = level + 0.001 * np.random.default_rng(5).standard_normal(40_000)
    assert find_marks(recorded(signal, 10_000.0), spec, WHOLE).count <= 1


def test_a_channel_of_lost_samples_has_no_marks():
    capture = recorded(np.zeros(4_000), 1_000.0, gaps=(Gap(0, 4_000),))
    assert find_marks(capture, WASTE, WHOLE).count == 0


def test_without_a_sync_channel_there_is_nothing_to_find():
    assert find_marks(Capture.from_arrays(np.zeros(100), rate_hz=1e3), WASTE, WHOLE) is None
    assert find_marks(recorded(np.zeros(100), 1e3), SyncSpec("plug-out", 1), WHOLE) is None


def square(rate_hz, rises, width_s, *, high=5.0, low=0.2, noise=0.05, seconds=4.0):
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    on = np.zeros(len(time), dtype=bool)
    for t in rises:
        on |= (time >= t) & (time < t + width_s)
    return np.where(on, high, low) + noise * np.random.default_rng(2).standard_normal(len(time))


@pytest.mark.parametrize("width_s", [0.01, 0.25, 0.6])
@pytest.mark.parametrize("rate_hz", [500.0, 10_000.0])
def test_rising_edges_of_a_cam_signal_are_found_once_each(width_s, rate_hz):
    rises = np.array([0.303, 1.107, 1.911, 2.704, 3.502])
    found = find_marks(recorded(square(rate_hz, rises, width_s), rate_hz, "V"), CAM, WHOLE)
    assert found.count == 5
    assert np.abs(found.time_s - rises).max() <= 1.0 / rate_hz


def test_a_step_across_lost_samples_is_no_edge():
    capture = recorded(square(1_000.0, [1.0, 2.0, 3.0], 0.3), 1_000.0, "V", gaps=(Gap(1_990, 20),))
    assert np.allclose(find_marks(capture, CAM, WHOLE).time_s, [1.0, 3.0], atol=1e-3)


@pytest.mark.parametrize("rate_hz", [1_000.0, 50_000.0])
def test_pressure_peaks_are_placed_and_measured_from_the_channels_rest(rate_hz):
    time = np.arange(round(4.0 * rate_hz)) / rate_hz
    at = np.array([0.5, 1.2, 1.9, 2.6, 3.3])
    signal = 1.0 + 0.02 * np.random.default_rng(8).standard_normal(len(time))
    for t in at:
        signal += 11.3 * np.exp(-(((time - t) / 0.035) ** 2)) + 0.6 * np.exp(-(((time - t - 0.35) / 0.05) ** 2))
    found = find_marks(recorded(signal, rate_hz, "bar"), PRESSURE, WHOLE)
    assert found.count == 5
    assert np.abs(found.time_s - at).max() < 0.0015
    assert np.abs(found.height - 11.3).max() < 0.25


def bumps(rate_hz, at, *, seconds=4.0, width_s=0.035, height=10.0, noise=0.01):
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    signal = 1.0 + noise * np.random.default_rng(8).standard_normal(len(time))
    return signal + sum(height * np.exp(-(((time - t) / width_s) ** 2)) for t in at)


def test_pressure_peaks_at_the_ends_of_the_cranking_are_not_whole_and_do_not_count():
    signal = bumps(2_000.0, [0.0, 0.8, 1.6, 2.4, 3.2, 4.0])
    found = find_marks(recorded(signal, 2_000.0, "bar"), PRESSURE, WHOLE)
    assert found.time_s == pytest.approx([0.8, 1.6, 2.4, 3.2], abs=0.002)


@pytest.mark.parametrize(("apart_s", "count"), [(0.06, 3), (0.10, 6)])
def test_two_pressure_peaks_nearer_than_any_two_cycles_are_one_at_the_higher(apart_s, count):
    at = np.array([0.8, 1.9, 3.0])
    signal = bumps(2_000.0, at, width_s=0.012) + bumps(2_000.0, at + apart_s, width_s=0.012, height=8.0) - 1.0
    found = find_marks(recorded(signal, 2_000.0, "bar"), PRESSURE, WHOLE)
    assert found.count == count
    assert found.time_s[:: count // 3] == pytest.approx(at, abs=0.002)
    later = bumps(2_000.0, at, width_s=0.012, height=8.0) + bumps(2_000.0, at + apart_s, width_s=0.012) - 1.0
    found = find_marks(recorded(later, 2_000.0, "bar"), PRESSURE, WHOLE)
    assert found.time_s[count // 3 - 1 :: count // 3] == pytest.approx(at + apart_s, abs=0.002)


def test_a_slow_channel_s_peaks_are_its_highest_samples():
    """At 100 samples a second a peak has hardly five: no curve is laid through so few."""
    found = find_marks(recorded(bumps(100.0, [0.8, 1.6, 2.4]), 100.0, "bar"), PRESSURE, WHOLE)
    assert found.time_s == pytest.approx([0.8, 1.6, 2.4], abs=0.006)
    assert found.height == pytest.approx([10.0] * 3, rel=0.02)


def test_a_peak_with_a_dent_is_placed_at_its_highest_sample():
    """A parabola through it would open upwards."""
    time = np.arange(8_000) / 2_000.0
    signal = np.ones(len(time))
    for t in (0.8, 1.6, 2.4):
        since = np.abs(time - t)
        signal += np.where(since < 0.05, 9.0 + 1.0 * (since / 0.05) ** 2, 0.0)
    found = find_marks(recorded(signal, 2_000.0, "bar"), PRESSURE, WHOLE)
    assert found.count == 3
    assert found.height == pytest.approx([10.0] * 3, abs=0.1)
    assert (np.abs(np.abs(found.time_s - [0.8, 1.6, 2.4]) - 0.05) < 0.003).all()


def test_a_pressure_channel_upside_down_is_read_and_said():
    found = find_marks(recorded(-bumps(2_000.0, [0.8, 1.6, 2.4]), 2_000.0, "bar"), PRESSURE, WHOLE)
    assert found.inverted
    assert found.time_s == pytest.approx([0.8, 1.6, 2.4], abs=0.002)
    assert found.rest == pytest.approx(-1.0, abs=0.05)


def test_a_channel_full_of_pulses_is_handed_on_so_that_naming_can_say_that_they_scatter():
    at = 0.1 + 0.033 * np.arange(110)
    found = find_marks(recorded(sparks(10_000.0, at, np.full(110, 10.0)), 10_000.0), WASTE, WHOLE)
    assert found.count == 110


def test_marks_are_placed_from_the_capture_s_beginning_and_with_a_count_of_pulses():
    at = np.array([1.2, 1.205, 1.9])
    found = find_marks(recorded(sparks(10_000.0, at, np.full(3, 10.0)), 10_000.0), SINGLE, Span(1.0, 3.0))
    assert found.time_s == pytest.approx([1.2, 1.9], abs=2e-4)
    assert found.pulses.tolist() == [2, 1]
    assert found.within(1.5, 3.0).count == found.within(1.0, 1.5).count == 1
    assert found.within(float(found.time_s[0]), float(found.time_s[1])).pulses.tolist() == [2, 1]


@pytest.mark.parametrize(("noise", "count"), [(0.02, 4), (0.45, 0)])
def test_a_cam_signal_no_larger_than_its_noise_has_no_edges(noise, count):
    rises = np.array([0.5, 1.3, 2.1, 2.9])
    signal = square(2_000.0, rises, 0.4, high=1.0, low=0.0, noise=noise)
    assert find_marks(recorded(signal, 2_000.0, "V"), CAM, WHOLE).count == count


def test_a_cam_pulse_shorter_than_a_fiftieth_of_the_time_is_seen():
    rises = np.array([0.5, 1.3, 2.1, 2.9])
    found = find_marks(recorded(square(2_000.0, rises, 0.005), 2_000.0, "V"), CAM, WHOLE)
    assert found.time_s == pytest.approx(rises, abs=1e-3)
    assert found.height == pytest.approx([4.8] * 4, abs=0.4)


def test_a_handful_of_samples_is_no_channel():
    assert find_marks(recorded(np.array([0.0, 9.0, 0.0]), 1e3), WASTE, WHOLE).count == 0


def test_a_channel_whose_first_samples_are_lost_is_read_all_the_same():
    capture = recorded(sparks(10_000.0, TIMES, TALL_SHORT), 10_000.0, gaps=(Gap(0, 50),))
    assert find_marks(capture, WASTE, WHOLE).count == 11


def test_sparks_hardly_above_the_noise_are_found():
    """Eight times the usual departure from rest: between five and six deviations of the noise."""
    signal = sparks(10_000.0, TIMES, np.full(11, 7.5), noise=1.0)
    assert find_marks(recorded(signal, 10_000.0), SINGLE, WHOLE).count == 11


def test_hash_that_lasts_is_no_spark():
    """Half a second of it, half as high as the short sparks."""
    signal = sparks(10_000.0, TIMES, np.where(np.arange(11) % 2, 3.0, 10.0))
    time = np.arange(len(signal)) / 10_000.0
    signal += np.where((time > 3.45) & (time < 3.95) & (np.arange(len(time)) % 3 == 0), 1.5, 0.0)
    found = find_marks(recorded(signal, 10_000.0), WASTE, WHOLE)
    assert found.time_s == pytest.approx(TIMES, abs=2e-4)


@pytest.mark.parametrize("rate_hz", [200.0, 500.0])
@pytest.mark.parametrize("shift", [0.0, 0.3, 0.8])
def test_a_slow_edge_is_placed_between_its_samples(rate_hz, shift):
    """It rises for 50 ms; its moment is where it passes the middle of its swing."""
    time = np.arange(round(4.0 * rate_hz)) / rate_hz
    rises = np.array([0.5, 1.3, 2.1, 2.9]) + shift / rate_hz
    signal = sum(np.clip((time - t) / 0.05, 0, 1) - np.clip((time - t - 0.4) / 0.05, 0, 1) for t in rises)
    found = find_marks(recorded(5.0 * signal, rate_hz, "V"), CAM, WHOLE)
    assert found.time_s == pytest.approx(rises + 0.025, abs=0.02 / rate_hz)


@pytest.mark.parametrize("beyond", [55, 200])
def test_a_peak_that_is_cut_off_while_it_rises_is_its_highest_sample(beyond):
    """The parabola through what is left has its top where there are no samples any more."""
    signal = np.zeros(2_000)
    rise = np.arange(-200, 1)
    steep = 10.0 / ((200 + beyond) ** 2 - beyond**2)
    for at in (400, 800, 1200, 1600):
        signal[at - 200 : at + 1] = 10.0 - steep * ((rise - beyond) ** 2 - beyond**2)
    found = find_marks(recorded(signal, 500.0, "bar"), PRESSURE, WHOLE)
    assert found.time_s == pytest.approx(np.array([400, 800, 1200, 1600]) / 500.0, abs=1e-6)
    assert found.height == pytest.approx([10.0] * 4)
