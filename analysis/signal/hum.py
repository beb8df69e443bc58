"""Mains hum: one sine at 50 or 60 Hz, as steady as mains and clock are, taken off where the quiet has it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.signal.pool import low_pass, moving_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

QUIET_S = 0.2  # ten turns of 50 Hz: captures begin with about so much quiet
MAINS_HZ = (50.0, 60.0)
BELOW_HZ = 25.0  # what lies below is humps, and is kept out of the search
SHARE = 0.25  # of the quiet stretch's power: a line this strong is hum, not noise
LESS = 0.8  # of the quiet stretch's power may be left: a sine of the same phase takes off more
SEARCH_HZ = 400.0  # samples a second are enough to find the frequency
OFF_HZ = 1.5  # mains stay within a few tenths; clocks of cheap boards are a percent or two off
DRIFTS_HZ_PER_S = (0.0, 0.05, -0.05, 0.1, -0.1, 0.2, -0.2, 0.35, -0.35, 0.5, -0.5)  # a board's clock that drifts
FINER = 8  # lines finer than the record's length gives
RATE_TIMES = 2.2  # samples a turn that a sine needs to be told from its mirror


@dataclass(frozen=True)
class Hum:
    """What was taken off: frequency at the beginning, its drift, and amplitude in the current's unit."""

    frequency_hz: float
    drift_hz_per_s: float
    amplitude: float


def without_hum(x: NDArray[np.float64], rate_hz: float) -> tuple[NDArray[np.float64], Hum | None]:
    """Return `x` less the mains hum that its quiet beginning shows, and what that was.

    The sine is fitted to the whole trace at the frequency, near the mains', and the drift that take most off; it is
    taken off only if it takes most off the quiet stretch, too, so that no hump's harmonic is mistaken for it.

    Parameters
    ----------
    x : ndarray, shape (m,)
        Finite samples.
    """
    width = round(QUIET_S * rate_hz)
    if len(x) < 4 * width or width < 16:
        return x, None
    time = np.arange(len(x), dtype=np.float64) / rate_hz
    found = None
    for mains in MAINS_HZ:
        if rate_hz < RATE_TIMES * mains or not _in_quiet(x[:width], time[:width], mains):
            continue
        fast = x - low_pass(x, rate_hz, BELOW_HZ)
        hum, wave = _best(fast, time, rate_hz, mains)
        if float(np.var(x[:width] - wave[:width])) < LESS * float(np.var(x[:width])):
            x, found = x - wave, hum
    return x, found


def _in_quiet(quiet: NDArray[np.float64], time_s: NDArray[np.float64], mains: float) -> bool:
    line = _amplitude(quiet, time_s, mains, 0.0)
    rest = quiet - np.mean(quiet)
    return abs(line) > 0.0 and abs(line) ** 2 >= 2.0 * float(np.mean(rest**2)) * SHARE


def _amplitude(x: NDArray[np.float64], time_s: NDArray[np.float64], frequency_hz: float, drift: float) -> complex:
    """Return the complex amplitude of the sine that fits `x` best."""
    turn = np.exp(-2j * np.pi * (frequency_hz + 0.5 * drift * time_s) * time_s)
    return complex(2.0 * np.mean((x - np.mean(x)) * turn))


def _best(fast: NDArray[np.float64], time_s: NDArray[np.float64], rate_hz: float,
          mains: float) -> tuple[Hum, NDArray[np.float64]]:
    """Return the sine near the mains' frequency that takes most off, and its samples."""
    block = max(1, int(rate_hz / SEARCH_HZ))
    few = fast[: len(fast) // block * block].reshape(-1, block).mean(axis=1)
    few = few * _trust(few, rate_hz / block)
    few_s, few_hz = time_s[: len(few) * block : block] + 0.5 * (block - 1) / rate_hz, rate_hz / block
    size = 1 << (FINER * len(few)).bit_length()
    low, high = (int((mains + off) * size / few_hz) for off in (-OFF_HZ, OFF_HZ))
    best, tallest = Hum(mains, 0.0, 0.0), 0.0
    for drift in DRIFTS_HZ_PER_S:
        line = np.abs(np.fft.fft(few * np.exp(-1j * np.pi * drift * few_s**2), size)[low : high + 1])
        top = int(np.argmax(line))
        if float(line[top]) > tallest:
            best, tallest = Hum((low + top) * few_hz / size, drift, 0.0), float(line[top])
    turn = np.exp(-2j * np.pi * (best.frequency_hz + 0.5 * best.drift_hz_per_s * time_s) * time_s)
    trust = _trust(fast, rate_hz)
    line_at = complex(2.0 * np.mean(trust * fast * turn) / np.mean(trust))
    wave: NDArray[np.float64] = (line_at * np.conj(turn)).real
    return Hum(best.frequency_hz, best.drift_hz_per_s, abs(line_at)), wave


def _trust(fast: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Return the weight of each sample, its surroundings' variance inverted: quiet tells more of hum than humps do."""
    around = moving_mean(fast**2, max(1, round(QUIET_S * rate_hz)))
    out: NDArray[np.float64] = 1.0 / np.maximum(around, 1e-30)
    return out
