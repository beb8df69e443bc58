"""Numbers that cannot be: two half lines that were joined, or a digit that was lost on the way.

Bytes that are lost take the end of one line and the beginning of the next, and what is left may still look like a
line: ``51`` and ``512,3`` become ``51512,3``. Such a number stands far outside all that came so far, for one line; what
a starter does lasts longer than that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.plugins.serial.line_decoder import Lines

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_ROOM = 16.0
"""Steps of the converter that any number may stand outside of what came before: noise that was not seen yet."""


class JumpWatch:
    """Takes single lines out whose current jumps beyond everything and back.

    Parameters
    ----------
    column
        Of the current.
    step
        The smallest difference its digits can show.

    Attributes
    ----------
    damaged
        Lines taken out so far.
    """

    def __init__(self, column: int, step: float) -> None:
        self.damaged = 0
        self._column, self._least = column, LEAST_ROOM * step
        self._low, self._high = np.inf, -np.inf
        self._held: Lines | None = None

    def restart(self) -> None:
        """Begin a new stream; what is known of the numbers stays."""
        self._held = None

    def learn(self, values: NDArray[Any]) -> None:
        """Take in lines that were heard while opening, shape (lines, columns)."""
        column = values[:, self._column]
        if len(column):
            low, high = np.percentile(column, (1.0, 99.0))  # a damaged line among them must not widen what is usual
            self._low, self._high = min(self._low, float(low)), max(self._high, float(high))

    def sift(self, lines: Lines) -> list[Lines]:
        """Return the lines without those that cannot be, each counted as broken before the line after it.

        A last line that may be damaged is held until the next one tells.
        """
        if self._held is not None:
            before = self._held
            self._held = None
            if lines.broken_before:
                lines = Lines(lines.values, lines.broken_before + before.broken_before + 1)
                self.damaged += 1
            else:
                lines = Lines(np.concatenate((before.values, lines.values)), before.broken_before)
        column = lines.values[:, self._column]
        outside = self._outside(column)
        if not outside.any():
            self._widen(column)
            return [lines]
        return self._cut(lines, column, outside)

    def _outside(self, column: NDArray[Any]) -> NDArray[np.int8]:
        if self._high < self._low:
            return np.zeros(len(column), dtype=np.int8)
        room = max(self._high - self._low, self._least)
        return (column > self._high + room).astype(np.int8) - (column < self._low - room).astype(np.int8)

    def _widen(self, column: NDArray[Any]) -> None:
        if len(column):
            self._low, self._high = min(self._low, float(column.min())), max(self._high, float(column.max()))

    def _cut(self, lines: Lines, column: NDArray[Any], outside: NDArray[np.int8]) -> list[Lines]:
        beside = np.concatenate(([0], outside, [0]))
        alone = (outside != 0) & (beside[:-2] != outside) & (beside[2:] != outside)
        values = lines.values
        if alone[-1]:
            self._held = Lines(values[-1:], 0)
            values, alone = values[:-1], alone[:-1]
        found: list[Lines] = []
        broken, begin = lines.broken_before, 0
        for row in [*np.flatnonzero(alone).tolist(), len(values)]:
            if row > begin:
                found.append(Lines(values[begin:row], broken))
                broken = 0
            broken += row < len(values)
            begin = row + 1
        self.damaged += int(alone.sum())
        self._widen(values[~alone][:, self._column])
        if self._held is not None:
            self._held = Lines(self._held.values, broken)
        return found
