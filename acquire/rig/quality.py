"""How good a rig is: the effective bits of its converter, and the smallest leak that it can tell from none.

Bits come from a sine wave put into it: the four-parameter fit of IEEE 1057. The leak comes from noise, counts and rate.

A cylinder's hump is taken for a raised cosine of known place, ``hump_a`` from trough to top. Fitted to N samples with
white noise sigma, its height has the variance ``8 sigma^2 / N`` (least squares). A leak is the difference of two such
heights, so in percent of a hump::

    s = 100 sigma / hump * sqrt(16 / N)        N = rate * JUDGED_S / cylinders
    sigma^2 = noise^2 + step^2 / 12            a count rounds by up to half of it
    smallest leak = sqrt(METHOD^2 + (TIMES s)^2)

METHOD is what the posterior leaves open on the best of rigs, TIMES brings one standard deviation to the 95 % that the
intervals of a result state. Both are tuned, to eleven rigs with one virtual engine; the tests compare on another run.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_STEPS = 30
SETTLED = 1e-12  # relative change of frequency at which the fit has converged
MIN_SAMPLES = 64
NEAR_PEAK_BINS = 2  # the true line lies within half a bin of the largest; two leave room for the window
HUMP_A = 40.0  # trough to top, of a small petrol four; most engines show two to ten times as much
CYLINDERS = 4
JUDGED_S = 4.0  # of a longer crank the analysis takes no more
METHOD_PERCENT = 1.7  # the distance from an estimate to the end of its interval, without noise
TIMES = 1.8  # near the 1.96 that 95 % of a normal distribution ask for
MIN_COUNTS = 8.0  # in a hump; with fewer its top is flat, as if it had been cut off, and no verdict is given
ALL_PERCENT = 100.0


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


def smallest_leak_percent(noise_a: float, step_a: float, rate_hz: float, *, hump_a: float = HUMP_A,
                          cylinders: int = CYLINDERS) -> float | None:
    """Return what a cylinder must have lost, in percent of its compression, to stand out of a rig's noise.

    Parameters
    ----------
    noise_a
        Standard deviation of one sample on a quiet cable, amperes.
    step_a
        One count of the converter, amperes; 0 where samples are not counts.
    rate_hz
        Samples a second.
    hump_a, cylinders
        Of the engine.

    Returns
    -------
    float or None
        At most 100. None where a hump is fewer than `MIN_COUNTS` counts high.
    """
    if step_a * MIN_COUNTS > hump_a:
        return None
    sigma_a = hypot(noise_a, step_a / sqrt(12.0))
    own_samples = rate_hz * JUDGED_S / cylinders
    spread_percent = 100.0 * sigma_a / hump_a * sqrt(16.0 / own_samples)
    return min(ALL_PERCENT, hypot(METHOD_PERCENT, TIMES * spread_percent))
