"""The cycle rate from whole cycles, and the cycle count through a drifting trace."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.signal import CycleTrack, rate_candidates, rivals, track_cycles
from crankfold.analysis.signal.cycle_rate import autocorrelation, detrended

RATE_HZ = 500.0


def humps(engine, relative, cycle_hz=1.5, seconds=4.0, drift=0.0, width_deg=45.0, noise=2.0):
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    cycles = cycle_hz * t * (1 + drift * (t / seconds - 0.5))
    y = np.full_like(t, 100.0)
    for fire, r in zip(engine.firing_deg, relative, strict=True):
        off = (cycles * engine.cycle_deg - fire + engine.cycle_deg / 2) % engine.cycle_deg - engine.cycle_deg / 2
        y += 150.0 * r * np.exp(-0.5 * (off / width_deg) ** 2)
    return y + np.random.default_rng(0).normal(0, noise, len(t)), t, cycles


CASES = [
    (Engine((1, 3, 4, 2)), (1, 1, 1, 1)), (Engine((1, 3, 4, 2)), (1, 0.02, 1, 1)), (Engine((1, 3, 2)), (1, 0.7, 1)),
    (Engine((1, 5, 3, 6, 2, 4)), (1, 1, 0.5, 1, 1, 1)), (Engine((1, 2), (270, 450)), (1, 1)),
    (Engine((1, 6, 5, 4, 3, 2), (90, 150)), (1, 1, 1, 0.4, 1, 1)), (Engine((1,)), (1,)),
    (Engine((1, 2), strokes=2), (1, 0.9)),
]


@pytest.mark.parametrize(("engine", "relative"), CASES)
def test_the_rate_is_found(engine, relative):
    y, _, _ = humps(engine, relative, width_deg=0.18 * engine.cycle_deg / max(engine.cylinders, 3))
    best = rate_candidates(y, RATE_HZ, engine)[0]
    assert best.rate_hz == pytest.approx(1.5, rel=0.01)


@pytest.mark.parametrize("cycle_hz", [1.63, 1.9])
def test_the_rate_is_found_between_the_samples(cycle_hz):
    """A cycle of 306.7 or 263.2 samples, to a twentieth of a sample; next best are other cycles, not its own flanks."""
    four = Engine((1, 3, 4, 2))
    y, _, _ = humps(four, (1, 0.6, 1, 0.9), cycle_hz=cycle_hz, noise=0.0)
    best, second, *_ = rate_candidates(y, RATE_HZ, four)
    assert best.rate_hz == pytest.approx(cycle_hz, rel=2e-4)
    assert abs(second.rate_hz / cycle_hz - 1.0) > 0.2


def test_an_even_six_is_no_six_with_every_other_cylinder_dead():
    six = Engine((1, 5, 3, 6, 2, 4))
    y, _, _ = humps(six, (1,) * 6, width_deg=32.0)
    found = rate_candidates(y, RATE_HZ, six)
    assert found[0].rate_hz == pytest.approx(1.5, rel=0.01)
    assert all(r.rate_hz < 2.9 for r in rivals(found, six.cycle_deg))


def test_alternating_cylinders_leave_a_rival_to_be_fitted():
    two = Engine((1, 2))
    y, _, _ = humps(two, (1, 0.0), cycle_hz=2.0)
    found = rate_candidates(y, RATE_HZ, two)
    rates = [c.rate_hz for c in [found[0], *rivals(found, two.cycle_deg)]]
    assert any(abs(r - 2.0) < 0.03 for r in rates)


def test_two_large_humps_and_two_small_ones_at_a_low_speed_leave_twice_the_speed_to_be_fitted():
    four = Engine((1, 4, 3, 2), strokes=2)
    y, _, _ = humps(four, (1, 0.18, 0.97, 0.3), cycle_hz=3.6, width_deg=48.0)
    found = rate_candidates(y, RATE_HZ, four)
    assert found[0].rate_hz == pytest.approx(1.8, rel=0.01)  # 108 rpm, all alike
    assert [r.rate_hz for r in rivals(found, four.cycle_deg)] == pytest.approx([3.6], rel=0.01)


def test_a_second_speed_is_not_tried_for_an_engine_that_turns_at_a_usual_one():
    four = Engine((1, 3, 4, 2))
    y, _, _ = humps(four, (1, 0.98, 0.97, 1.0), cycle_hz=1.5)
    assert rivals(rate_candidates(y, RATE_HZ, four), four.cycle_deg) == []


def test_noise_and_a_constant_have_no_rate_worth_the_name():
    four = Engine((1, 3, 4, 2))
    noise = np.random.default_rng(3).normal(0, 1, 2000)
    found = rate_candidates(noise, RATE_HZ, four)
    assert not found or found[0].repeat < 0.3
    assert rate_candidates(np.zeros(10), RATE_HZ, four) == []


def test_autocorrelation_is_normalised_by_what_overlaps():
    x = np.sin(2 * np.pi * np.arange(400) / 50.0)
    r = autocorrelation(x, 200)
    assert r[0] == pytest.approx(1.0)
    assert r[50] == pytest.approx(1.0, abs=1e-6)
    assert r[25] == pytest.approx(-1.0, abs=1e-6)


def test_detrending_takes_a_cubic_off_exactly():
    t = np.linspace(-1, 1, 300)
    assert np.abs(detrended(5 + 3 * t - 2 * t**2 + 4 * t**3)).max() < 1e-9


@pytest.mark.parametrize("drift", [-0.15, 0.0, 0.15])
def test_the_track_follows_a_drifting_speed(drift):
    four = Engine((1, 3, 4, 2))
    y, t, cycles = humps(four, (1, 0.6, 1, 1), drift=drift)
    track = track_cycles(y, RATE_HZ, rate_candidates(y, RATE_HZ, four)[0].rate_hz, 4)
    off = track.at(t) - cycles
    assert np.ptp(off[100:-100]) < 0.05
    assert np.all(np.diff(track.time_s) > 0)


def test_a_track_goes_on_at_the_rates_of_its_ends():
    track = CycleTrack(np.array([1.0, 2.0, 4.0]), np.array([3.0, 4.0, 5.0]))
    assert track.at(np.array([0.0, 1.5, 3.0, 6.0])).tolist() == [2.0, 3.5, 4.5, 6.0]


def test_tracking_ends_on_any_trace():
    for seed in range(5):
        y = np.random.default_rng(seed).normal(0, 1, 1500)
        track = track_cycles(y, RATE_HZ, 5.0, 1)
        assert np.all(np.diff(track.time_s) > 0)
