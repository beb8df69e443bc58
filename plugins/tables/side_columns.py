"""Columns beside current and sync: a value that is missing there loses no sample, the last one holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.plugins.tables.csv_fields import UNSIGNED_OVERLOAD

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_FILLED = 0.5
"""Share of rows with a number that a column needs to be a channel: slower ones were not recorded at the file's rate."""


class SideColumns:
    """Fills what is missing with the value before it.

    Parameters
    ----------
    count
        Number of such columns.

    Attributes
    ----------
    filled
        Values filled so far.
    """

    def __init__(self, count: int) -> None:
        self.filled = 0
        self._last = np.full(count, np.nan)

    def settle(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the values, shape (rows, columns), every one of them a number."""
        if not values.size:
            return values
        good = np.isfinite(values) & (np.abs(np.nan_to_num(values)) < UNSIGNED_OVERLOAD)
        if not good.all():
            values = values.copy()
            for at in np.flatnonzero(~good.all(axis=0)).tolist():
                values[:, at] = self._held(values[:, at], good[:, at], float(self._last[at]))
            self.filled += int((~good).sum())
        self._last = values[-1]
        return values

    def _held(self, column: NDArray[np.float64], good: NDArray[np.bool_], last: float) -> NDArray[np.float64]:
        before = np.maximum.accumulate(np.where(good, np.arange(len(column)), -1))
        if not np.isfinite(last):
            last = float(column[good][0]) if good.any() else 0.0
        return np.where(before >= 0, column[np.maximum(before, 0)], last)
