"""Torque curves of leaks for the fit of the crank's speed: averaged as its readings are, with derivatives."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.gas import gas_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

SMOOTH_DEG = 15.0  # over which speed is differentiated: a compression's torque is 60 degrees wide


@dataclass(frozen=True, eq=False)
class Curve:
    """A torque curve at whole degrees, and its derivatives: rows value, by push, by peak, by ratio, by degree."""

    first_deg: float
    rows: NDArray[np.float64]

    def at(self, angle_deg: NDArray[np.float64], row: int) -> NDArray[np.float64]:
        """Return a row between whole degrees; 0 outside the closed part."""
        place = np.clip(angle_deg - self.first_deg, 0.0, self.rows.shape[1] - 1.001)
        k = place.astype(np.intp)
        share = place - k
        out: NDArray[np.float64] = self.rows[row, k] * (1.0 - share) + self.rows[row, k + 1] * share
        return out


@dataclass(frozen=True, eq=False)
class Curves:
    """Torque curves of leaks averaged over `SMOOTH_DEG`, shape (ratios, peaks, degrees), and their nodes."""

    torque: NDArray[np.float64]
    ratios: NDArray[np.float64]
    peaks: NDArray[np.float64]
    first_deg: float

    def of(self, ratio: float, peak: float, push: float) -> Curve:
        """Return the curve between the nodes; what pushes back, times `push`."""
        ratios, peaks = self.ratios, self.peaks
        q = int(np.clip(np.searchsorted(ratios, ratio, side="right") - 1, 0, len(ratios) - 2))
        k = int(np.clip(np.searchsorted(peaks, peak, side="right") - 1, 0, len(peaks) - 2))
        u, v = (ratio - ratios[q]) / (ratios[q + 1] - ratios[q]), (peak - peaks[k]) / (peaks[k + 1] - peaks[k])
        block = self.torque[q : q + 2, k : k + 2]
        low, high = block[:, 0] * (1.0 - v) + block[:, 1] * v
        value = low * (1.0 - u) + high * u
        rise = (block[:, 1] - block[:, 0]) / (peaks[k + 1] - peaks[k])
        by_peak = rise[0] * (1.0 - u) + rise[1] * u
        rows = np.array([value, np.minimum(value, 0.0), by_peak, (high - low) / (ratios[q + 1] - ratios[q]), value])
        rows[[0, 2, 3]] *= np.where(value < 0.0, push, 1.0)
        rows[4] = np.gradient(rows[0])
        return Curve(self.first_deg, rows)


@lru_cache(maxsize=1)
def steady_curves() -> Curves:
    """Return the curves of a crank that turns steadily."""
    return averaged(gas_table().torque)


def averaged(torque: NDArray[np.float64]) -> Curves:
    """Return torque curves, shape (ratios, peaks, degrees) as in the gas table, averaged."""
    table, pad = gas_table(), int(SMOOTH_DEG)
    kernel = np.ones(pad) / pad
    curves = np.apply_along_axis(lambda curve: np.convolve(np.pad(curve, pad), kernel, mode="same"), 2, torque)
    return Curves(curves, table.ratios, table.peaks, float(table.angles_deg[0]) - pad)
