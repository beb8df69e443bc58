"""Effective bits of ideal converters, against the ideal-converter rule and a four-parameter sine fit.

Sources: IEEE Std 1057 and IEEE Std 1241 (four-parameter sine fit, effective number of bits); signal to noise of an
ideal converter 6.02 N + 1.76 dB, in every text on converters. The figures for 8, 10, 12 and 16 bits were computed with
the fit of those standards on ideally rounded full-scale sines.
"""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.acquire.rig.quality import fit_sine


def rounded_sine(bits: int) -> tuple[np.ndarray, float]:
    """Return a full-scale sine through an ideal converter of a range of 2 (from -1 to 1), and its frequency."""
    rate_hz, frequency_hz = 10_000.0, 97.31
    time_s = np.arange(20_000) / rate_hz
    step = 2.0 / 2**bits
    wave = (1.0 - step) * np.cos(2 * np.pi * frequency_hz * time_s + 0.3)
    return np.round(wave / step) * step, frequency_hz


@pytest.mark.parametrize(("bits", "published"), [(8, 7.98), (10, 9.99), (12, 11.97), (16, 16.01)])
def test_an_ideal_converter_has_the_bits_it_says(bits: int, published: float) -> None:
    samples, frequency_hz = rounded_sine(bits)
    fit = fit_sine(samples, 10_000.0)
    assert fit is not None
    assert fit.frequency_hz == pytest.approx(frequency_hz, rel=1e-6)
    assert fit.effective_bits(2.0) == pytest.approx(published, abs=0.05)


@pytest.mark.parametrize(("bits", "ratio_db"), [(8, 49.92), (10, 61.96), (12, 74.00), (14, 86.04), (16, 98.08)])
def test_signal_to_noise_of_an_ideal_converter(bits: int, ratio_db: float) -> None:
    samples, _ = rounded_sine(bits)
    fit = fit_sine(samples, 10_000.0)
    assert fit is not None
    found_db = 20 * np.log10(fit.amplitude / np.sqrt(2) / fit.residual_rms)
    assert found_db == pytest.approx(ratio_db, abs=0.35)
