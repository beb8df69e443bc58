"""The four-parameter fit finds what was put in, says nothing of records that hold no sine, and never guesses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire.rig.quality import SineFit, fit_sine, tone


@given(st.floats(5.0, 400.0), st.floats(0.01, 100.0), st.floats(-3.0, 3.0), st.floats(-50.0, 50.0))
def test_a_clean_sine_is_found_whole(frequency_hz: float, amplitude: float, phase: float, offset: float) -> None:
    time_s = np.arange(4000) / 1000.0
    fit = fit_sine(offset + amplitude * np.cos(2 * np.pi * frequency_hz * time_s + phase), 1000.0)
    assert fit is not None
    assert fit.frequency_hz == pytest.approx(frequency_hz, rel=1e-6)
    assert fit.amplitude == pytest.approx(amplitude, rel=1e-6)
    assert fit.offset == pytest.approx(offset, abs=1e-6 * (amplitude + abs(offset)))
    assert np.cos(fit.phase_rad - phase) == pytest.approx(1.0, abs=1e-6)
    assert fit.residual_rms < 1e-6 * (amplitude + abs(offset))


def test_noise_stays_in_the_residual() -> None:
    rng = np.random.default_rng(4)
    time_s = np.arange(20_000) / 5000.0
    fit = fit_sine(3.0 * np.sin(2 * np.pi * 31.7 * time_s) + rng.normal(0, 0.2, len(time_s)), 5000.0)
    assert fit is not None
    assert fit.residual_rms == pytest.approx(0.2, rel=0.03)
    assert fit.amplitude == pytest.approx(3.0, rel=0.005)


@pytest.mark.parametrize("samples", [np.zeros(1000), np.full(1000, 7.0), np.ones(10)])
def test_no_sine_no_fit(samples: np.ndarray) -> None:
    assert fit_sine(samples, 100.0) is None


def test_a_known_tone_among_others() -> None:
    time_s = np.arange(5000) / 1000.0
    mixed = 2.0 * np.cos(2 * np.pi * 50 * time_s) + 0.5 * np.sin(2 * np.pi * 60 * time_s) + 4.0
    assert tone(mixed, 1000.0, 50.0) == pytest.approx(2.0, rel=1e-3)
    assert tone(mixed, 1000.0, 60.0) == pytest.approx(0.5, rel=1e-3)


@pytest.mark.parametrize("bits", [4, 8, 12])
def test_an_ideal_converter_has_the_bits_it_has(bits) -> None:
    """The definition of IEEE 1057: of a converter whose only fault is rounding, evenly spread over a step."""
    step = 10.0 / 2**bits
    assert SineFit(4.0, 33.3, 0.0, 0.0, step / np.sqrt(12.0)).effective_bits(10.0) == pytest.approx(bits, abs=1e-9)
    sine = 4.99 * np.sin(2 * np.pi * 33.3 * np.arange(20_000) / 5000.0)
    fit = fit_sine(np.round(sine / step) * step, 5000.0)
    assert fit is not None
    assert fit.effective_bits(10.0) == pytest.approx(bits, abs=0.1)
    assert np.isfinite(SineFit(4.0, 33.3, 0.0, 0.0, 0.0).effective_bits(10.0))


def test_sixty_four_samples_are_enough_and_fewer_are_not() -> None:
    sine = 2.0 * np.sin(2 * np.pi * 9.3 * np.arange(64) / 100.0)
    assert fit_sine(sine[:63], 100.0) is None
    fit = fit_sine(sine, 100.0)
    assert fit is not None
    assert (fit.frequency_hz, fit.amplitude) == (pytest.approx(9.3), pytest.approx(2.0))


@pytest.mark.parametrize("frequency_hz", [0.6, 1.4, 31.0, 48.6])
def test_a_sine_of_few_periods_or_of_few_samples_a_period(frequency_hz) -> None:
    """Of a record of one second at 100 Hz."""
    fit = fit_sine(3.0 + 2.0 * np.cos(2 * np.pi * frequency_hz * np.arange(100) / 100.0 + 0.4), 100.0)
    assert fit is not None
    assert (fit.frequency_hz, fit.amplitude) == (pytest.approx(frequency_hz), pytest.approx(2.0))
