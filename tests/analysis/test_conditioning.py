"""Pooling, zero, polarity, low-pass, gaps and hum."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from crankfold.analysis import Capture, Channel, Gap, NoCranking, condition
from crankfold.analysis.signal.hum import without_hum
from crankfold.analysis.signal.pool import low_pass, pool, spikes
from crankfold.analysis.signal.rest import find_zero


def crank(rate_hz=2000.0, seconds=3.0, quiet_s=0.5, hump_hz=6.0, noise=0.0, seed=0, tail_s=0.4):
    """Quiet, a solenoid, an in-rush, humps, quiet."""
    t = np.arange(int((quiet_s + seconds + tail_s) * rate_hz)) / rate_hz
    on, off = quiet_s, quiet_s + seconds
    s = t - on
    humps = 150.0 + 80.0 * np.sin(2 * np.pi * hump_hz * s) + 450.0 * np.exp(-s / 0.05)
    x = np.where((t >= on + 0.03) & (t < off), humps, np.where((t >= on) & (t < off), 40.0, 0.0))
    return x + np.random.default_rng(seed).normal(0, noise, len(t)) if noise else x


def test_pooling_is_the_mean_of_blocks_for_any_number_of_channels():
    rng = np.random.default_rng(1)
    samples = rng.normal(size=(10_007, 3))
    pooled = pool(samples, 1, 20_000.0)
    assert pooled.rate_hz == 2000.0
    np.testing.assert_allclose(pooled.value, samples[:10_000, 1].reshape(-1, 10).mean(axis=1), atol=1e-12)
    assert pooled.time_s[0] == pytest.approx(4.5 / 20_000.0)


def test_loss_in_one_channel_does_not_touch_the_other_and_half_a_block_is_enough():
    samples = np.ones((100, 2))
    samples[:, 1] = np.nan
    samples[0:4, 0] = np.nan
    samples[20:28, 0] = np.nan
    pooled = pool(samples, 0, 20_000.0)
    assert pooled.value[0] == 1.0
    assert np.isnan(pooled.value[2])
    assert np.isfinite(np.delete(pooled.value, 2)).all()


def test_the_low_pass_is_scipy_s_zero_phase_butterworth():
    rng = np.random.default_rng(2)
    x = np.cumsum(rng.normal(size=4000))
    sos = signal.butter(3, 60.0, fs=2000.0, output="sos")
    theirs = signal.sosfiltfilt(sos, x)
    ours = low_pass(x, 2000.0)
    middle = slice(300, -300)
    assert np.abs(ours - theirs)[middle].max() < 0.01 * np.ptp(x)


def test_the_low_pass_leaves_a_straight_line_straight_to_its_ends():
    line = 250.0 - 0.05 * np.arange(3000)
    np.testing.assert_allclose(low_pass(line, 2000.0), line, atol=1e-6)


@pytest.mark.parametrize("rate_hz", [500.0, 2000.0, 25_000.0, 200_000.0])
@pytest.mark.parametrize("polarity", [1, -1])
def test_zero_polarity_and_times_are_found_at_any_rate(rate_hz, polarity):
    trace = condition(Capture.from_arrays(polarity * crank(rate_hz, noise=2.0) + 7.0, rate_hz=rate_hz))
    assert trace.polarity == polarity
    assert trace.zero == pytest.approx(7.0, abs=1.5)
    assert trace.crank.start_s == pytest.approx(0.5, abs=0.005)  # the solenoid leads the motor by 30 ms
    assert trace.crank.end_s == pytest.approx(3.5, abs=0.03)
    assert trace.steady_from_s == pytest.approx(trace.crank.start_s + 0.5, abs=0.005)
    assert trace.steady_to_s == pytest.approx(trace.crank.end_s - 0.06, abs=0.005)
    assert trace.others == ()
    assert trace.fired_at_s is None
    assert np.median(trace.smooth[trace.steady]) == pytest.approx(150.0, abs=6.0)


def test_volts_without_a_scale_give_the_same_trace():
    amperes = condition(Capture.from_arrays(crank(noise=1.0), rate_hz=2000.0))
    volts = condition(Capture.from_arrays(crank(noise=1.0) * 0.001, rate_hz=2000.0, unit=""))
    assert volts.crank == amperes.crank
    np.testing.assert_allclose(volts.smooth, amperes.smooth * 0.001, atol=1e-9)


@pytest.mark.parametrize("x", [
    np.random.default_rng(0).normal(0, 2, 4000), np.full(4000, 3.0),
    np.where(np.abs(np.arange(4000) - 1030) < 30, 45.0, 0.0) + np.random.default_rng(0).normal(0, 2, 4000),
])
def test_noise_a_constant_and_a_solenoid_s_click_are_no_cranking(x):
    with pytest.raises(NoCranking) as caught:
        condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert {"peak", "noise", "longest_s"} <= set(caught.value.facts)


def test_the_longest_of_several_cranks_is_judged():
    x = np.concatenate((crank(seconds=1.0), crank(seconds=3.0), crank(seconds=0.6)))
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert trace.crank.length_s == pytest.approx(3.0, abs=0.05)
    assert len(trace.others) == 2


def test_a_capture_that_begins_in_mid_crank():
    x = crank(seconds=4.0)[int(1.5 * 2000) :]
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert not trace.has_onset
    assert np.isnan(trace.inrush)
    assert trace.steady_from_s < 0.05


def gapped(*gaps):
    samples = crank(noise=1.0)[:, None]
    return condition(Capture(samples, 2000.0, (Channel("current", "A"),), gaps=tuple(Gap(*g) for g in gaps)))


@pytest.mark.parametrize("at", [4000, 4092])
def test_a_small_gap_is_bridged_and_said(at):
    trace = gapped((at, 8))
    assert len(trace.bridged) == 1
    assert not trace.cut_by_gap
    assert np.isfinite(trace.smooth).all()


def test_a_long_gap_leaves_the_longest_whole_stretch():
    trace = gapped((3000, 200))
    assert trace.cut_by_gap
    assert trace.steady_from_s == pytest.approx(1.6, abs=0.01)
    assert np.isfinite(trace.smooth[trace.steady]).all()
    assert np.isnan(trace.current[3000:3200]).all()


def test_many_small_gaps_weigh_nothing_and_end_nothing():
    """Two samples of every hundred are lost, as a slow serial board loses them."""
    trace = gapped(*[(1100 + 50 * k, 1) for k in range(110)])
    whole = gapped()
    assert not trace.cut_by_gap
    assert (trace.steady_from_s, trace.steady_to_s) == pytest.approx((whole.steady_from_s, whole.steady_to_s), abs=0.03)
    assert trace.weight[1100:6600:50].max() == 0.0
    assert trace.weight[1101:6600:50].min() == 1.0
    off = (trace.smooth - whole.smooth)[trace.steady]
    assert np.std(off) < 0.01 * np.std(whole.smooth[trace.steady])


def test_gaps_that_leave_hardly_anything_are_too_much():
    trace = gapped(*[(2400 + 150 * k, 60) for k in range(26)])
    assert trace.cut_by_gap


def test_hum_is_taken_off_and_a_hump_s_harmonic_is_not():
    t = np.arange(6000) / 2000.0
    clean = crank(seconds=2.0, hump_hz=10.0, quiet_s=0.6)[:6000]
    hum = 6.0 * np.sin(2 * np.pi * 50.05 * t + 1.0)
    left, found = without_hum(clean + hum, 2000.0)
    assert np.std((left - clean)[2600:5000]) < 0.35 * np.std(hum)
    assert found is not None
    assert (found.frequency_hz, found.amplitude) == (pytest.approx(50.05, abs=0.1), pytest.approx(6.0, rel=0.1))
    same, nothing = without_hum(clean, 2000.0)
    np.testing.assert_array_equal(same, clean)
    assert nothing is None


def test_zero_of_a_capture_without_quiet_is_the_converter_s():
    x = 150.0 + 80.0 * np.sin(2 * np.pi * 6 * np.arange(4000) / 2000.0)
    for sign in (1, -1):
        zero = find_zero(sign * x, 2000.0)
        assert (zero.value, zero.polarity, zero.rest) == (0.0, sign, slice(0, 0))
        assert np.isnan(zero.noise)


@pytest.mark.parametrize("rate_hz", [500.0, 2000.0])
def test_a_rest_within_one_code_of_a_coarse_converter_is_quiet_all_the_same(rate_hz):
    coarse = np.round(crank(rate_hz=rate_hz, quiet_s=1.5, noise=0.5) / 8.0) * 8.0
    trace = condition(Capture.from_arrays(coarse, rate_hz=rate_hz))
    assert trace.noise == 0.0
    loud = condition(Capture.from_arrays(crank(rate_hz=rate_hz)[round(0.6 * rate_hz) : -round(0.6 * rate_hz)],
                                         rate_hz=rate_hz))
    assert np.isnan(loud.noise)


@pytest.mark.parametrize(("flat_s", "clipped"), [(0.0, False), (0.006, False), (0.012, True)])
def test_an_in_rush_with_a_flat_top_is_clipped(flat_s, clipped):
    """Eight milliseconds at the top are no crest of a current through a starter's inductance."""
    x = crank()
    first = int(0.53 * 2000)
    x[first : first + round(flat_s * 2000)] = x.max()
    assert condition(Capture.from_arrays(x, rate_hz=2000.0)).clipped_inrush is clipped


@pytest.mark.parametrize(("polarity", "ends"), [(1, (-100, 600)), (-1, (-600, 100))])
@pytest.mark.parametrize("over", [0.0, 30.0])
def test_an_in_rush_that_reaches_the_converter_s_end_is_clipped_however_short(polarity, ends, over):
    """A single sample at 600 A, whichever way round the clamp is; the quiet reads 7 A."""
    x = crank()
    x[np.argmax(x)] = 560.0 + over + 3.0
    samples = np.clip(polarity * (x + 7.0), *ends)[:, None]
    trace = condition(Capture(samples, 2000.0, (Channel("current", "A", code_range=ends),)))
    assert trace.clipped_inrush is (over > 0)


def test_a_current_that_fades_shows_in_its_sag():
    """From 200 A at the onset, straight down to 80 A: late third over early third of what follows the in-rush."""
    at = np.linspace(0.0, 1.0, 6000)
    humps = 30.0 * np.sin(2 * np.pi * 18 * at)
    x = np.concatenate((np.zeros(1000), 200.0 - 120.0 * at + humps, np.zeros(800)))
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    steady = x[trace.between(trace.crank.start_s + 0.5, trace.steady_to_s)]
    third = len(steady) // 3
    assert trace.ac_sag == pytest.approx(steady[-third:].mean() / steady[:third].mean(), rel=0.01)
    assert trace.ac_sag < 0.65


# --- samples with weights, and what stays on the cable

def test_a_spike_weighs_nothing_and_moves_nothing():
    clean = crank(noise=1.0)
    hit = clean.copy()
    hit[2500::400] += 900.0
    trace, whole = (condition(Capture.from_arrays(x, rate_hz=2000.0)) for x in (hit, clean))
    assert trace.weight[2500::400].max() == 0.0
    assert trace.weight[trace.steady].mean() > 0.97
    assert np.abs(trace.smooth - whole.smooth)[trace.steady].max() < 2.0


def test_spikes_by_hand_and_a_square_wave_has_none():
    x = np.sin(np.arange(400) / 20.0)
    x[100] += 5.0
    x[200] -= 5.0
    assert np.flatnonzero(spikes(x)).tolist() == [100, 200]
    square = np.where(np.arange(400) // 2 % 2 == 0, 1.0, -1.0)
    assert not spikes(square).any()
    assert not spikes(x[:10]).any()


def test_flat_tops_weigh_nothing():
    x = np.minimum(crank(noise=0.5), 215.0)
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    steady = slice(trace.steady.start, trace.steady.stop)
    at_top = x[steady] > 214.0
    assert 0.05 < trace.clipped_humps < 0.3
    assert trace.weight[steady][at_top].mean() < 0.1
    assert trace.weight[steady][~at_top].mean() > 0.95


@pytest.mark.parametrize(("left_a", "tail_s"), [
    (0.0, 0.3), (0.0, 2.0), (8.0, 0.3), (8.0, 2.0), (20.0, 0.3), (20.0, 0.6), (20.0, 2.0), (45.0, 0.3), (45.0, 0.6),
])
def test_what_stays_on_the_cable_is_measured_and_is_no_part_of_the_crank(left_a, tail_s):
    x = crank(noise=1.0, tail_s=tail_s)
    x[round(3.5 * 2000) :] += left_a
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert trace.crank.end_s == pytest.approx(3.5, abs=0.02)
    assert trace.zero_after == pytest.approx(left_a, abs=1.0)
    assert trace.fired_at_s is None


@pytest.mark.parametrize("idle_a", [12.0, 60.0, 90.0])
def test_a_starter_left_idling_says_that_the_engine_ran(idle_a):
    """The engine takes over within a tenth of a second; the key is held for another 1.5 s."""
    x = crank(noise=1.0, tail_s=2.5)
    t = np.arange(len(x)) / 2000.0
    fall = np.exp(-np.maximum(t - 3.4, 0.0) / 0.04)
    idle = np.where(t < 5.0, idle_a, 0.0)
    x = np.where(t < 3.4, x, idle + fall * np.maximum(np.where(t < 5.0, 150.0, 0.0) - idle, 0.0))
    x += np.random.default_rng(2).normal(0, 1.0, len(t))
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert trace.fired_at_s == pytest.approx(3.3, abs=0.25)
    assert trace.crank.end_s == pytest.approx(5.0, abs=0.05)
    assert trace.steady_to_s <= trace.fired_at_s


def test_a_second_crank_is_another_crank():
    x = np.concatenate((crank(noise=1.0), crank(noise=1.0, seconds=1.5)))
    trace = condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert trace.crank.end_s == pytest.approx(3.5, abs=0.02)
    assert [(round(s.start_s, 2), round(s.end_s, 2)) for s in trace.others] == [
        (pytest.approx(4.4, abs=0.02), pytest.approx(5.9, abs=0.02))]


def test_glow_plugs_and_lamps_that_are_on_before_the_crank_are_the_zero():
    x = crank(noise=1.0, quiet_s=2.0)
    trace = condition(Capture.from_arrays(x + 70.0, rate_hz=2000.0))
    plain = condition(Capture.from_arrays(x, rate_hz=2000.0))
    assert trace.zero == pytest.approx(plain.zero + 70.0)
    np.testing.assert_allclose(trace.smooth, plain.smooth, atol=1e-6)


@pytest.mark.parametrize("mains_hz", [50.05, 60.1])
@pytest.mark.parametrize("drift", [0.0, 0.3])
def test_forty_amperes_of_hum_leave_the_trace_as_it_is(mains_hz, drift):
    """Also where the recorder's clock drifts by half a percent through the recording."""
    x = crank(noise=1.0, hump_hz=6.3)
    t = np.arange(len(x)) / 2000.0
    hum = 40.0 * np.sin(2 * np.pi * (mains_hz + 0.5 * drift * t) * t + 0.7)
    trace, clean = (condition(Capture.from_arrays(y, rate_hz=2000.0)) for y in (x + hum, x))
    assert trace.hum is not None
    assert trace.hum.amplitude == pytest.approx(40.0, rel=0.05)
    assert trace.crank.start_s == pytest.approx(clean.crank.start_s, abs=0.04)
    assert trace.crank.end_s == pytest.approx(clean.crank.end_s, abs=0.01)
    assert np.std((trace.smooth - clean.smooth)[clean.steady]) < 3.0


def test_the_onset_that_the_trigger_found_is_used():
    x = crank(noise=1.0)
    capture = Capture.from_arrays(x, rate_hz=2000.0)
    assert condition(replace(capture, trigger_index=1040)).crank.start_s == pytest.approx(0.52, abs=0.001)
    far = condition(replace(capture, trigger_index=4000))  # another crank's, or somebody's own idea
    assert far.crank.start_s == condition(capture).crank.start_s


def run_up(settles_s, extra, seconds=4.0):
    """A crank whose first turns come at half the speed and draw more: as real engines' do."""
    t = np.arange(int((0.5 + seconds + 0.4) * 2000)) / 2000.0
    since = t - 0.5
    slow = np.clip(1.0 - since / settles_s, 0.0, 1.0)
    phase = 2 * np.pi * 6.5 * np.cumsum(1.0 - 0.5 * slow) / 2000.0
    humps = 150.0 * (1.0 + extra * slow) + 70.0 * np.cos(phase) + 300.0 * np.exp(-np.maximum(since, 0) / 0.05)
    on = (since >= 0) & (since < seconds)
    return np.where(on, humps, 0.0) + np.random.default_rng(0).normal(0, 1.0, len(t))


@pytest.mark.parametrize("settles_s", [0.7, 0.9, 1.2])
def test_the_run_up_is_described_and_not_judged(settles_s):
    trace = condition(Capture.from_arrays(run_up(settles_s, 0.8), rate_hz=2000.0))
    assert trace.run_up.settled
    assert trace.run_up.end_s == pytest.approx(0.5 + 0.87 * settles_s, abs=0.12)
    assert trace.steady_from_s >= trace.run_up.end_s - 0.001
    early = trace.humps.within(0.5, 0.5 + 0.6 * settles_s)
    late = trace.humps.within(2.5, 4.0)
    assert early.rate_hz[0] < 0.8 * np.median(late.rate_hz)
    assert early.level[0] > 1.2 * np.median(late.level)
    assert trace.fired_at_s is None


def test_a_short_crank_is_judged_from_its_run_up_on_rather_than_not_at_all():
    trace = condition(Capture.from_arrays(run_up(0.9, 0.8, seconds=1.9), rate_hz=2000.0))
    assert trace.steady_from_s == pytest.approx(1.0, abs=0.05)


def test_an_engine_that_fires_while_it_is_cranked_is_judged_up_to_there():
    """From 3 s on single cylinders fire: kicks at no rhythm, twice as high as the humps before."""
    x = crank(noise=1.0, seconds=5.0)
    t = np.arange(len(x)) / 2000.0
    rng = np.random.default_rng(5)
    at_s = 3.0 + np.cumsum(rng.uniform(0.1, 0.5, 8))
    kicks = sum(np.exp(-(((t - at) / 0.04) ** 2)) for at in at_s)
    phase = 2 * np.pi * 6.0 * t + 2.0 * np.sin(2 * np.pi * 1.3 * t)
    fires = 120.0 + 45.0 * np.cos(phase) + 260.0 * kicks
    fired = condition(Capture.from_arrays(np.where((t > 3.0) & (t < 5.5), fires, x), rate_hz=2000.0))
    assert 2.8 < fired.fired_at_s < at_s[0]
    assert fired.steady_to_s == fired.fired_at_s
    assert fired.crank.end_s == pytest.approx(5.5, abs=0.03)
    assert condition(Capture.from_arrays(x, rate_hz=2000.0)).fired_at_s is None
