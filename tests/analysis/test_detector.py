"""Cranks found to the sample, other loads left alone, and the same answer however the stream is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.analysis import Channel
from crankfold.analysis.signal.detector.detector import CrankingDetector, DetectorState, Onset, first_departure
from crankfold.analysis.signal.detector.watch import End

RATE = 5000.0
AMPERES = Channel("current", "A")


def run(samples, rate=RATE, channel=AMPERES, cuts=(), **options):
    trigger = CrankingDetector(rate, channel, **options)
    found, at = [], 0
    for cut in [*sorted(cuts), len(samples)]:
        found += trigger.feed(at, samples[at:cut])
        at = cut
    return found + trigger.finish()


def onsets(found):
    return [event.index for event in found if isinstance(event, Onset)]


def ends(found):
    return [event.index for event in found if isinstance(event, End)]


def caught(made, found, within_s=0.01):
    """Every crank has one onset and one end near enough."""
    assert len(onsets(found)) == len(made.cranks), found
    for (onset, end), seen, over in zip(made.cranks, onsets(found), ends(found), strict=True):
        assert abs(seen - onset) <= within_s * made.rate_hz
        assert -0.3 * made.rate_hz <= over - end <= 0.1 * made.rate_hz


# --- the stream may be cut anywhere

@settings(max_examples=60, deadline=None)
@given(cuts=st.lists(st.integers(0, 20_000), max_size=30), kind=st.sampled_from(["float", "int16", "volts"]))
def test_the_same_indices_for_any_cut(bench, cuts, kind) -> None:
    made = bench(2000.0, 10.0).crank(1.0, 1.5).step(4.0, 1.0, 60.0).crank(6.0, 2.5, sign=-1)
    samples, channel = made.current_a, AMPERES
    if kind == "int16":
        samples, channel = np.round(samples * 10).astype(np.int16), Channel("current", "A", 0.1, code_dtype="int16")
    elif kind == "volts":
        samples, channel = samples * 0.01, Channel("current", "V")
    whole = run(samples, 2000.0, channel)
    assert len(onsets(whole)) == 2
    assert run(samples, 2000.0, channel, cuts) == whole


@settings(max_examples=40, deadline=None)
@given(data=st.lists(st.floats(-500, 500), min_size=1, max_size=400), repeat=st.integers(1, 40),
       cuts=st.lists(st.integers(0, 2000), max_size=10))
def test_any_samples_at_all_give_onsets_and_ends_in_turn(data, repeat, cuts) -> None:
    samples = np.repeat(np.array(data), repeat)
    cuts = [cut for cut in cuts if cut < len(samples)]
    found = run(samples, 500.0, cuts=cuts)
    assert [type(event) for event in found] == [Onset, End] * (len(found) // 2)
    assert found == run(samples, 500.0)
    indices = [event.index for event in found]
    assert indices == sorted(indices)
    assert all(0 <= index <= len(samples) for index in indices)


def test_one_sample_at_a_time(bench) -> None:
    made = bench(500.0, 5.0).crank(1.0, 2.0)
    assert run(made.current_a, 500.0, cuts=range(len(made.current_a))) == run(made.current_a, 500.0)


def test_a_stream_that_does_not_begin_at_zero(bench) -> None:
    made = bench(RATE, 5.0).crank(1.0, 2.0)
    trigger = CrankingDetector(RATE, AMPERES)
    found = trigger.feed(1_000_007, made.current_a) + trigger.finish()
    assert abs(onsets(found)[0] - 1_000_007 - made.cranks[0][0]) <= 1


# --- cranks

@pytest.mark.parametrize("rate", [200.0, 500.0, 2000.0, 25_000.0, 200_000.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_onset_is_exact_to_the_sample_where_noise_allows(bench, rate, sign) -> None:
    made = bench(rate, 5.0, noise_a=0.2).crank(1.2345, 2.0, sign=sign)
    found = run(made.current_a, rate)
    assert onsets(found) == [made.cranks[0][0]]
    assert found[0].polarity == sign
    caught(made, found)


@pytest.mark.parametrize(("mean", "hump_hz", "depth", "inrush"), [
    (40.0, 3.0, 0.6, 2.5),     # a small pump
    (90.0, 1.5, 0.9, 3.0),     # one cylinder, slow
    (200.0, 12.0, 0.15, 2.0),  # an eight on a series-wound starter
    (150.0, 30.0, 0.3, 2.0),
    (700.0, 6.0, 0.6, 2.0),    # a large diesel, 1200 A at the peaks
])
@pytest.mark.parametrize("unit", ["A", "V", "counts"])
def test_small_and_large_engines(bench, mean, hump_hz, depth, inrush, unit) -> None:
    made = bench(2000.0, 8.0, seed=3).crank(1.0, 4.0, mean_a=mean, hump_hz=hump_hz, depth=depth, inrush=inrush)
    samples, channel = made.current_a, AMPERES
    if unit == "V":
        samples, channel = samples * 0.001, Channel("current", "V")
    elif unit == "counts":
        full_a = 4 * mean
        samples = np.clip(np.round(samples / full_a * 512 + 512), 0, 1023).astype(np.uint16)
        channel = Channel("current", "counts", code_range=(0, 1023), code_dtype="uint16")
    caught(made, run(samples, 2000.0, channel))


@pytest.mark.parametrize("limit", [120.0, 170.0, 300.0])
def test_a_clamp_beyond_its_range(bench, limit) -> None:
    made = bench(RATE, 6.0).crank(1.0, 3.0, limit_a=limit)
    caught(made, run(made.current_a))


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("at", [100.0, 333.0, 1000.0, 10_000.0])
def test_mains_hum(bench, hz, at) -> None:
    made = bench(at, 6.0).crank(1.5, 2.5)
    made.add(8.0 * np.sin(2 * np.pi * hz * made.time_s + 0.3))
    caught(made, run(made.current_a, at), within_s=0.015)
    quiet = bench(at, 20.0).add(25.0 * np.sin(2 * np.pi * hz * bench(at, 20.0).time_s))
    assert run(quiet.current_a, at) == []


def test_an_engine_with_its_decompressor_lifted(bench) -> None:
    made = bench(RATE, 12.0).crank(1.0, 8.0, mean_a=90.0, humps_from_s=3.0)
    caught(made, run(made.current_a))


def test_an_engine_without_compression(bench) -> None:
    made = bench(RATE, 8.0).crank(1.0, 4.0, mean_a=90.0, depth=0.0)
    caught(made, run(made.current_a))


def test_a_seized_engine_and_a_clamp_that_stays_at_its_limit(bench) -> None:
    seized = bench(RATE, 5.0).crank(1.0, 2.5, mean_a=450.0, depth=0.0, inrush=1.0)
    caught(seized, run(seized.current_a))
    pinned = bench(RATE, 5.0).crank(1.0, 2.5, mean_a=600.0, depth=0.3, limit_a=250.0)
    caught(pinned, run(pinned.current_a))


def test_a_drop_below_zero_as_the_engine_throws_back_is_part_of_the_crank(bench) -> None:
    made = bench(RATE, 8.0).crank(1.0, 5.0, hump_hz=4.0, depth=0.9)
    since = made.time_s - 1.0
    thrown = (since > 0.3) & (since < 5.0) & ((since * 4.0) % 1.0 < 0.05)
    caught(made.add(np.where(thrown, -120.0, 0.0)), run(made.current_a))


def test_a_short_crank_of_two_humps_counts_and_a_click_does_not(bench) -> None:
    made = bench(RATE, 4.0).crank(1.0, 0.55, hump_hz=5.0)
    caught(made, run(made.current_a))
    click = bench(RATE, 4.0).step(1.0, 0.03, 38.0)
    assert run(click.current_a) == []


def test_glow_plugs_first_and_the_crank_on_top_of_them(bench) -> None:
    for wait in (0.4, 1.0, 3.0, 8.0):
        made = bench(RATE, 18.0).step(1.0, 16.5, 110.0, decay_to=0.6, decay_s=3.0).crank(1.0 + wait, 3.0)
        caught(made, run(made.current_a))


def test_the_zero_and_noise_are_those_of_the_quiet_before(bench) -> None:
    made = bench(RATE, 6.0, noise_a=2.0, zero_a=-37.0).crank(2.0, 3.0, sign=-1)
    (onset, _) = run(made.current_a)
    assert onset.zero == pytest.approx(-37.0, abs=0.5)
    assert onset.noise == pytest.approx(2.0 / np.sqrt(RATE * 0.004), rel=0.4)
    assert onset.polarity == -1


def test_an_engine_that_starts_ends_the_crank_while_the_key_is_held(bench) -> None:
    made = bench(RATE, 8.0).crank(1.0, 1.5).step(2.5, 2.5, 11.0)
    found = run(made.current_a)
    assert abs(ends(found)[0] - made.cranks[0][1]) < 0.05 * RATE


def test_three_cranks_in_a_row(bench) -> None:
    made = bench(RATE, 20.0).crank(1.0, 2.0).crank(4.0, 0.6).crank(8.0, 5.0)
    caught(made, run(made.current_a))


def test_too_long_a_crank_is_cut_once(bench) -> None:
    made = bench(1000.0, 30.0).crank(1.0, 20.0).crank(24.0, 2.0)
    found = run(made.current_a, 1000.0, max_crank_s=6.0)
    assert [type(event) for event in found] == [Onset, End, Onset, End]
    assert found[1].too_long
    assert found[1].index == pytest.approx(7000, abs=20)
    assert not found[3].too_long


def test_a_stream_that_ends_while_cranking(bench) -> None:
    made = bench(RATE, 3.0).crank(1.0, 5.0)
    found = run(made.current_a)
    assert ends(found) == [len(made.current_a) // 20 * 20]
    assert abs(onsets(found)[0] - made.cranks[0][0]) <= 1


def test_a_stream_that_begins_while_cranking_has_no_onset_but_the_next_crank_has(bench) -> None:
    made = bench(RATE, 10.0).crank(-1.0, 3.0).crank(5.0, 2.0)
    found = run(made.current_a)
    assert onsets(found)[-1] == pytest.approx(made.cranks[1][0], abs=2)


def test_a_break_while_cranking_ends_it_and_the_rest_is_no_new_crank(bench) -> None:
    made = bench(RATE, 9.0).crank(1.0, 3.0).crank(6.0, 2.0)
    trigger, torn = CrankingDetector(RATE, AMPERES), 12_500
    found = trigger.feed(0, made.current_a[:torn]) + trigger.forget()
    assert [type(event) for event in found] == [Onset, End]
    found = trigger.feed(torn, made.current_a[torn:]) + trigger.finish()
    assert len(onsets(found)) == 1
    assert onsets(found)[0] == pytest.approx(made.cranks[1][0], abs=2)


# --- everything else

def lamps(made):
    for at in range(1, 19, 2):
        made.step(at, 1.3, 18.0, inrush=4.0, inrush_s=0.02)


def window_motors(made):
    for at in (1.0, 3.2, 4.6, 9.0, 12.1):
        made.step(at, 1.8, 22.0, inrush=2.8, inrush_s=0.04)
        made.step(at + 1.5, 0.3, 12.0, rise_s=0.01)  # the stall at the end of its way


def glow_plugs(made):
    made.step(1.0, 7.0, 150.0, decay_to=0.35, decay_s=1.2).step(10.0, 8.0, 60.0, inrush=1.6, inrush_s=1.0)


def switched_glow_plugs(made):
    for at in np.arange(1.0, 18.0, 1 / 30):
        made.step(at, 0.02, 120.0, rise_s=0.0003)


def relays(made):
    for at in np.random.default_rng(4).uniform(1, 19, 40):
        made.step(at, 0.03, 38.0)


def spikes(made):
    for at in np.random.default_rng(5).uniform(1, 19, 60):
        made.step(at, 0.0012, 800.0, rise_s=0.0001)


def jump_starter(made):
    rng = np.random.default_rng(6)
    at = 2.0
    for _ in range(9):
        lasting = rng.uniform(0.004, 0.05)
        made.step(at, lasting, -rng.uniform(80, 500), rise_s=0.0003)
        at += lasting + rng.uniform(0.003, 0.12)
    made.step(at, 12.0, -140.0, decay_to=0.3, decay_s=1.0, inrush=2.0, inrush_s=0.003)


def drift(made):
    made.add(15.0 * np.sin(2 * np.pi * made.time_s / 40.0) + 2.0 * made.time_s)


def fan(made):
    made.step(2.0, 10.0, 32.0, inrush=4.0, inrush_s=0.12)


def everything(made):
    glow_plugs(made)
    lamps(made)
    window_motors(made)
    relays(made)
    spikes(made)


@pytest.mark.parametrize("load", [lamps, window_motors, glow_plugs, switched_glow_plugs, relays, spikes, jump_starter,
                                  drift, fan, everything])
@pytest.mark.parametrize("rate", [200.0, 1000.0, 10_000.0])
@pytest.mark.parametrize("unit", ["A", "V"])
def test_no_other_load_is_taken_for_a_crank(bench, load, rate, unit) -> None:
    made = bench(rate, 20.0)
    load(made)
    samples, channel = (made.current_a, AMPERES) if unit == "A" else (made.current_a * 0.01, Channel("current", "V"))
    assert onsets(run(samples, rate, channel)) == []
    if load is switched_glow_plugs and rate < 1000.0:
        return  # humps under switching of five samples a period cannot be told, here or by eye
    made.crank(20.0 - 3.0, 2.0, mean_a=200.0)
    samples = made.current_a if unit == "A" else made.current_a * 0.01
    assert len(onsets(run(samples, rate, channel))) == 1, "and the crank among them is still found"


def test_missing_numbers_do_no_harm(bench) -> None:
    made = bench(RATE, 6.0).crank(2.0, 3.0)
    samples = made.current_a.copy()
    samples[3000:3050] = np.nan
    samples[7000] = np.inf
    caught(made, run(samples))


def test_states_follow_one_another(bench) -> None:
    made = bench(RATE, 6.0).crank(1.0, 2.0)
    trigger = CrankingDetector(RATE, AMPERES)
    seen = [trigger.state]
    for at in range(0, len(made.current_a), 100):
        trigger.feed(at, made.current_a[at : at + 100])
        if trigger.state is not seen[-1]:
            seen.append(trigger.state)
    assert seen == [DetectorState.LEARNING, DetectorState.ARMED, DetectorState.WATCHING, DetectorState.CRANKING,
                    DetectorState.ARMED]


def test_a_single_hump_of_a_starter_counts_where_amperes_are_known(bench) -> None:
    made = bench(RATE, 4.0)
    swell = 250.0 * np.sin(np.pi * np.clip((made.time_s - 1.03) / 0.35, 0, 1)) ** 2
    made.crank(1.0, 0.38, mean_a=80.0, depth=0.0, inrush=3.0).add(swell)
    caught(made, run(made.current_a))


def test_the_first_departure_of_a_clean_step_is_its_first_sample() -> None:
    values = np.zeros(300)
    values[237:] = 40.0
    assert first_departure(values, 8.0) == 237


@pytest.mark.parametrize("rate_hz", [2.0, 10.0, 25.0, 60.0, 150.0])
@pytest.mark.parametrize("unit", ["A", ""])
def test_a_logger_far_too_slow_for_humps_does_no_harm(bench, rate_hz, unit) -> None:
    made = bench(rate_hz, 60.0).crank(20.0, 4.0, mean_a=300.0).step(40.0, 5.0, 400.0).step(50.0, 0.1, 900.0)
    trigger = CrankingDetector(rate_hz, Channel("current", unit))
    found = [*trigger.feed(0, made.current_a), *trigger.finish()]
    assert [type(one).__name__ for one in found] == ["Onset", "End"] * (len(found) // 2)


# --- what counts as a load, and where it began

def state_after(samples, channel=AMPERES, rate=RATE):
    trigger = CrankingDetector(rate, channel)
    trigger.feed(0, samples)
    return trigger.state


@pytest.mark.parametrize(("amperes", "state"), [(7.6, DetectorState.ARMED), (8.4, DetectorState.WATCHING)])
@pytest.mark.parametrize("sign", [1, -1])
def test_eight_amperes_are_a_load(bench, amperes, sign, state) -> None:
    made = bench(RATE, 1.0, noise_a=0.05).step(0.9, 1.0, sign * amperes, rise_s=0.0001)
    assert state_after(made.current_a) is state


@pytest.mark.parametrize(("height", "state"), [(8.5, DetectorState.ARMED), (9.3, DetectorState.WATCHING)])
def test_where_no_amperes_are_known_six_times_the_noise_is_a_load(height, state) -> None:
    """Frames one above and one below zero in turn: 1.4826 of noise, from their median deviation; six times is 8.9."""
    frames = np.where(np.arange(300) % 2, 1.0, -1.0)
    frames[256:] = height
    assert state_after(np.repeat(frames[:260], 20) * 0.01, Channel("current", "V")) is state


@pytest.mark.parametrize("kind", ["int16", "float64"])
@pytest.mark.parametrize(("steps", "state"), [(2, DetectorState.ARMED), (4, DetectorState.WATCHING)])
def test_a_quiet_that_hardly_moves_is_taken_to_be_half_a_step_of_the_converter(kind, steps, state) -> None:
    """Six times that noise are three steps, whether the driver names whole numbers or only their scale."""
    codes = np.full(5100, 512)
    codes[::997] += 1
    codes[5000:] += steps
    assert state_after(codes.astype(kind), Channel("current", "V", 0.005, code_dtype=kind)) is state


@pytest.mark.parametrize("unit", ["A", "V"])
@pytest.mark.parametrize("rate", [1000.0, 5000.0])
@pytest.mark.parametrize("shift", [0.0, 0.0012, 0.0026])
def test_a_slow_rise_begins_at_its_foot(bench, unit, rate, shift) -> None:
    """Six amperes a millisecond, seen from 2.4 A on, whatever the unit: less than a millisecond after it began."""
    made = bench(rate, 4.0, noise_a=0.1)
    begun = 1.0 + shift
    since = made.since(begun + 0.025)
    made.add(np.clip(made.since(begun) * 6000.0, 0.0, 150.0) * (since < 0.0))
    made.crank(begun + 0.025, 2.0)
    samples, channel = (made.current_a, AMPERES) if unit == "A" else (made.current_a * 0.001, Channel("current", "V"))
    (onset,) = onsets(run(samples, rate, channel))
    assert -1 <= onset - round(begun * rate) <= max(2, 0.0008 * rate)


@pytest.mark.parametrize("seed", range(5))
def test_a_load_that_creeps_up_begins_where_it_leaves_the_noise(bench, seed) -> None:
    """In volts: six times the noise are reached after 27 ms, less than two times after 8."""
    made = bench(RATE, 4.0, noise_a=1.0, seed=seed)
    since = made.since(1.0)
    made.add(np.where((since >= 0) & (since < 0.028), 50.0 * since, 0.0)).crank(1.028, 2.0)
    (onset,) = onsets(run(made.current_a * 0.001, channel=Channel("current", "V")))
    assert 0.0 <= onset / RATE - 1.0 <= 0.014


@pytest.mark.parametrize(("unit", "factor"), [("V", 0.001), ("", 2.5)])
def test_the_onset_is_exact_in_any_unit(bench, unit, factor) -> None:
    made = bench(RATE, 5.0, noise_a=0.2).crank(1.2345, 2.0)
    assert onsets(run(made.current_a * factor, channel=Channel("current", unit))) == [made.cranks[0][0]]


def test_noise_between_samples_does_not_bring_the_onset_forward(bench) -> None:
    """15 A of noise from sample to sample: a load of 60 A is still found to a few samples."""
    for seed in range(8):
        made = bench(RATE, 3.0, noise_a=15.0, seed=seed).crank(1.0, 1.5, mean_a=240.0)
        assert abs(onsets(run(made.current_a))[0] - made.cranks[0][0]) <= 4


@pytest.mark.parametrize("longest_s", [0.3, 0.5])
def test_a_crank_longer_than_allowed_before_it_was_known_for_one_is_cut_where_it_should_be(bench, longest_s) -> None:
    made = bench(RATE, 5.0).crank(1.0, 2.0)
    (onset, end) = run(made.current_a, max_crank_s=longest_s)
    assert end.too_long
    assert end.index - onset.index == pytest.approx(longest_s * RATE, abs=20)


def test_after_a_break_in_the_quiet_the_zero_is_still_known(bench) -> None:
    made = bench(RATE, 4.0, zero_a=30.0).crank(1.02, 2.0)
    trigger = CrankingDetector(RATE, AMPERES)
    found = trigger.feed(0, made.current_a[:4900]) + trigger.forget()
    assert trigger.state is DetectorState.ARMED
    found += trigger.feed(4900, made.current_a[4900:]) + trigger.finish()
    assert onsets(found) == [made.cranks[0][0]]
    assert found[0].zero == pytest.approx(30.0, abs=0.3)


def test_the_end_of_the_stream_before_anything_is_known(bench) -> None:
    trigger = CrankingDetector(RATE, AMPERES)
    assert trigger.feed(0, bench(RATE, 0.05).current_a) + trigger.finish() == []
    assert trigger.state is DetectorState.LEARNING


def test_a_crank_too_long_that_the_stream_ends_with_is_ended_once(bench) -> None:
    made = bench(1000.0, 12.0).crank(1.0, 20.0)
    found = run(made.current_a, 1000.0, max_crank_s=6.0)
    assert [type(event) for event in found] == [Onset, End]
    assert found[1].too_long


def test_a_steady_load_becomes_the_new_zero(bench) -> None:
    """Lights are switched on and left on; the crank's zero is what they draw."""
    made = bench(RATE, 12.0).step(1.0, 20.0, 25.0, rise_s=0.005).crank(6.0, 2.0)
    (onset, _) = run(made.current_a)
    assert onset.zero == pytest.approx(25.0, abs=0.5)
    assert onset.index == pytest.approx(made.cranks[0][0], abs=1)


def test_a_load_that_still_falls_is_no_new_zero(bench) -> None:
    """Glow plugs that go on cooling down when the crank begins: nobody knows yet what they will draw."""
    made = bench(RATE, 5.0).step(1.0, 10.0, 110.0, decay_to=0.3, decay_s=0.4).crank(1.4, 2.0, mean_a=250.0)
    (onset, _) = run(made.current_a)
    assert onset.zero == pytest.approx(0.0, abs=0.3)
    assert onset.index == pytest.approx(made.cranks[0][0], abs=0.02 * RATE)


@pytest.mark.parametrize("ahead_s", [0.030, 0.036, 0.040, 0.042, 0.046, 0.065, 0.090, 0.118])
def test_a_solenoid_far_ahead_of_its_motor_is_found_the_same_for_any_cut(bench, ahead_s) -> None:
    made = bench(RATE, 5.0).step(1.0, 10.0, 40.0).step(2.0, 2.0, 20.0).crank(2.0 + ahead_s, 2.0, mean_a=200.0)
    whole = run(made.current_a)
    assert onsets(whole) == [pytest.approx(2.0 * RATE, abs=0.012 * RATE)]
    for size in (1, 7, 20, 333):
        assert run(made.current_a, cuts=range(0, len(made.current_a), size)) == whole


def test_a_clamp_s_zero_that_creeps_does_not_hide_a_crank(bench) -> None:
    """Six amperes a second: the zero that is followed lags by more than what still counts as noise."""
    made = bench(RATE, 4.0).crank(1.5, 1.5)
    found = run(made.current_a + 6.0 * made.time_s)
    assert onsets(found) == [pytest.approx(made.cranks[0][0], abs=200)]


def test_a_rest_that_is_known_already_needs_no_quiet_before_the_crank(bench) -> None:
    made = bench(RATE, 3.0).crank(0.01, 2.0)
    assert onsets(run(made.current_a)) == []
    assert onsets(run(made.current_a, quiet=[0.0] * 32)) == [pytest.approx(made.cranks[0][0], abs=30)]


def test_loads_that_are_no_cranking_are_kept_with_what_they_drew(bench) -> None:
    made = bench(RATE, 5.0).step(1.0, 3.0, 90.0)
    detector = CrankingDetector(RATE, AMPERES)
    assert detector.feed(0, made.current_a) + detector.finish() == []
    load = next(load for load in detector.passed if load.mean > 50.0)
    assert load.index == pytest.approx(RATE, abs=20)
    assert load.peak == pytest.approx(90.0, abs=5.0)


def test_a_key_turned_briefly_is_a_crank_if_only_a_starter_draws_so_much(bench) -> None:
    made = bench(RATE, 3.0).step(1.0, 0.4, 300.0)
    assert onsets(run(made.current_a)) == [pytest.approx(RATE, abs=20)]
    assert onsets(run(bench(RATE, 3.0).step(1.0, 0.4, 120.0).current_a)) == []
    assert onsets(run(bench(RATE, 3.0).step(1.0, 0.1, 300.0).current_a)) == []


def test_lost_samples_are_left_out_and_do_not_end_a_crank(bench) -> None:
    made = bench(RATE, 4.0).crank(1.0, 2.5)
    holed = made.current_a.copy()
    holed[7000:9500] = np.nan
    whole, found = run(made.current_a), run(holed)
    assert [e.index for e in found] == [e.index for e in whole]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("rate_hz", [650.0, 5000.0])
def test_hum_as_large_as_humps_hides_no_crank(mains_hz, rate_hz, bench) -> None:
    made = bench(rate_hz, 5.0).crank(1.5, 2.5)
    hummed = made.current_a + 40.0 * np.sin(2 * np.pi * mains_hz * made.time_s + 1.0)
    onset, end = run(hummed, rate=rate_hz)
    first, stop = made.cranks[0]
    assert onset.index / rate_hz == pytest.approx(first / rate_hz, abs=0.04)
    assert end.index / rate_hz == pytest.approx(stop / rate_hz, abs=0.03)
    assert run(hummed[:first], rate=rate_hz) == []


def test_hum_gives_the_same_answer_however_the_stream_is_cut(bench) -> None:
    made = bench(RATE, 4.0).crank(1.0, 2.0)
    hummed = made.current_a + 40.0 * np.sin(2 * np.pi * 50.0 * made.time_s)
    assert run(hummed, cuts=(1, 777, 5200, 5201, 9999, 14_990)) == run(hummed)


def test_noise_without_a_rhythm_is_not_taken_for_hum(bench) -> None:
    """A noisy clamp: the onset is still looked up to the sample, which is not done under hum."""
    made = bench(RATE, 4.0, noise_a=8.0).crank(1.0, 2.0)
    detector = CrankingDetector(RATE, AMPERES)
    found = detector.feed(0, made.current_a) + detector.finish()
    assert onsets(found) == [pytest.approx(made.cranks[0][0], abs=25)]


def test_a_brief_crank_ends_where_it_was_let_go_whatever_stays_on_the_cable(bench) -> None:
    made = bench(RATE, 2.0).step(1.0, 0.4, 300.0).step(1.4, 0.6, 9.0)
    onset, end = run(made.current_a)
    assert (onset.index, end.index) == (pytest.approx(RATE, abs=20), pytest.approx(1.4 * RATE, abs=40))
