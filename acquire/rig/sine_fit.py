"""How good a converter is, from a sine wave put into it: the four-parameter fit and effective bits of IEEE 1057."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_STEPS = 30
SETTLED = 1e-12  # relative change of frequency at which the fit has converged
MIN_SAMPLES = 64
NEAR_PEAK_BINS = 2  # the true line lies within half a bin of the largest; two leave room for the window


@dataclass(frozen=True)
class SineFit:
    """The sine that fits best, and what is left.

    Parameters
    ----------
    amplitude, offset, residual_rms
        In the samples' own unit; the amplitude is the peak.
    frequency_hz, phase_rad
        Of ``offset + amplitude * cos(2 pi f t + phase)``, with t from the first sample.
    """

    amplitude: float
    frequency_hz: float
    phase_rad: float
    offset: float
    residual_rms: float

    def effective_bits(self, full_range: float) -> float:
        """Return the bits of an ideal converter of that full range (peak to peak) whose only fault is rounding."""
        return float(np.log2(full_range / (np.sqrt(12.0) * max(self.residual_rms, np.finfo(float).tiny))))


def fit_sine(samples: NDArray[np.float64], rate_hz: float) -> SineFit | None:
    """Return the least-squares sine of a record, or None when the record holds no line to start from.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        In any unit, evenly spaced, no NaN.
    rate_hz
        Samples a second.
    """
    n = len(samples)
    if n < MIN_SAMPLES or float(np.ptp(samples)) == 0.0:
        return None
    time_s = np.arange(n) / rate_hz
    omega = 2.0 * np.pi * _strongest_line(samples, rate_hz)
    if omega <= 0.0:
        return None
    solution = _three(samples, time_s, omega)
    for _ in range(MAX_STEPS):
        a, b, _ = solution
        angle = omega * time_s
        columns = np.column_stack((np.cos(angle), np.sin(angle), np.ones(n),
                                   time_s * (b * np.cos(angle) - a * np.sin(angle))))
        found = np.linalg.lstsq(columns, samples, rcond=None)[0]
        omega += found[3]
        solution = found[:3]
        if not 0.0 < omega < np.pi * rate_hz:
            return None
        if abs(found[3]) < SETTLED * omega:
            break
    a, b, offset = _three(samples, time_s, omega)
    left = samples - (a * np.cos(omega * time_s) + b * np.sin(omega * time_s) + offset)
    return SineFit(float(np.hypot(a, b)), float(omega / (2.0 * np.pi)), float(np.arctan2(-b, a)), float(offset),
                   float(np.sqrt(np.mean(left**2))))


def tone(samples: NDArray[np.float64], rate_hz: float, frequency_hz: float) -> float:
    """Return the amplitude (peak, in the samples' unit) of one known frequency in a record, shape (n,)."""
    time_s = np.arange(len(samples)) / rate_hz
    a, b, _ = _three(samples, time_s, 2.0 * np.pi * frequency_hz)
    return float(np.hypot(a, b))


def _three(samples: NDArray[np.float64], time_s: NDArray[np.float64], omega: float) -> NDArray[np.float64]:
    """Return cosine part, sine part and offset at a given frequency."""
    columns = np.column_stack((np.cos(omega * time_s), np.sin(omega * time_s), np.ones(len(samples))))
    found: NDArray[np.float64] = np.linalg.lstsq(columns, samples, rcond=None)[0]
    return found


def _strongest_line(samples: NDArray[np.float64], rate_hz: float) -> float:
    """Return the frequency of the strongest line, Hz, to a fraction of a bin."""
    n = len(samples)
    spectrum = np.abs(np.fft.rfft((samples - samples.mean()) * np.hanning(n)))
    spectrum[0] = 0.0
    top = int(np.argmax(spectrum))
    around = slice(max(1, top - NEAR_PEAK_BINS), min(len(spectrum), top + NEAR_PEAK_BINS + 1))
    weight = spectrum[around] ** 2
    total = float(weight.sum())
    return 0.0 if total == 0.0 else float((np.arange(around.start, around.stop) * weight).sum() / total * rate_hz / n)
