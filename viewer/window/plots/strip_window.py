"""The part of a strip that is looked at: pan, zoom, two marks, and what lies between them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import Stretch

if TYPE_CHECKING:
    from crankfold.viewer.picture import StripData

CLOSEST_S = 0.02  # a tenth of a hump of a fast engine: closer there is nothing to see
STEP_SHARE = 0.1  # of what is shown, for one key of panning
ZOOM = 1.25  # for one key, or one notch of the mouse's wheel


@dataclass(frozen=True)
class StripWindow:
    """What is shown of a strip, and up to two marks in it; of a fold likewise, in degrees instead of seconds.

    Parameters
    ----------
    whole_s
        All there is, start and end.
    shown_s
        What is looked at.
    marks_s
        Up to two instants.
    moving
        Index of the mark that the arrow keys move, None: they pan.
    closest
        What is shown at the closest zoom.
    """

    whole_s: tuple[float, float]
    shown_s: tuple[float, float]
    marks_s: tuple[float, ...] = ()
    moving: int | None = None
    closest: float = CLOSEST_S

    @classmethod
    def of(cls, data: StripData) -> StripWindow:
        """Return a window on the whole strip."""
        return cls(data.window_s, data.window_s)

    @property
    def length_s(self) -> float:
        """Length of what is shown."""
        return self.shown_s[1] - self.shown_s[0]

    def panned(self, by_s: float) -> StripWindow:
        """Return the window moved, as far as there is strip."""
        start = min(max(self.shown_s[0] + by_s, self.whole_s[0]), self.whole_s[1] - self.length_s)
        return replace(self, shown_s=(start, start + self.length_s))

    def zoomed(self, factor: float, about_s: float | None = None) -> StripWindow:
        """Return the window `factor` times closer, about an instant, by default its middle."""
        whole = self.whole_s[1] - self.whole_s[0]
        length = min(max(self.length_s / factor, min(self.closest, whole)), whole)
        about = sum(self.shown_s) / 2.0 if about_s is None else about_s
        share = (about - self.shown_s[0]) / self.length_s
        return replace(self, shown_s=(about - share * length, about + (1.0 - share) * length)).panned(0.0)

    def entire(self) -> StripWindow:
        """Return the window on the whole strip."""
        return replace(self, shown_s=self.whole_s)

    def next_mark(self) -> StripWindow:
        """Return the window with the next mark to be moved: the first, the second, none; put in view where new."""
        following = 0 if self.moving is None else self.moving + 1
        if following > 1:
            return replace(self, moving=None)
        marks = self.marks_s
        if following >= len(marks):
            marks = (*marks, self.shown_s[0] + self.length_s * (0.4, 0.6)[following])
        return replace(self, marks_s=marks, moving=following)

    def mark_at(self, time_s: float) -> StripWindow:
        """Return the window with a mark put at an instant: the one that moves, else a second, else the nearer one."""
        if self.moving is None and len(self.marks_s) < 2:
            return replace(self, marks_s=(*self.marks_s, time_s))
        which = self.moving
        if which is None:
            which = min(range(2), key=lambda k: abs(self.marks_s[k] - time_s))
        marks = list(self.marks_s)
        marks[which] = min(max(time_s, self.whole_s[0]), self.whole_s[1])
        return replace(self, marks_s=tuple(marks))

    def stepped(self, steps: float) -> StripWindow:
        """Return the window with the moving mark moved, or panned, by so many tenths of what is shown."""
        by_s = steps * STEP_SHARE * self.length_s
        return self.panned(by_s) if self.moving is None else self.mark_at(self.marks_s[self.moving] + by_s)

    def with_marks(self, marks_s: tuple[float, ...]) -> StripWindow:
        """Return the window with its marks elsewhere."""
        return replace(self, marks_s=marks_s)

    def unmarked(self) -> StripWindow:
        """Return the window without marks."""
        return replace(self, marks_s=(), moving=None)


@dataclass(frozen=True)
class Between:
    """What lies between two marks: time, the current at each, and the difference, in the strip's unit."""

    time_s: float
    first: float
    second: float

    @property
    def change(self) -> float:
        """Second less first."""
        return self.second - self.first


def between(data: StripData, marks_s: tuple[float, ...]) -> Between | None:
    """Return what lies between two marks, None unless there are two; currents are NaN where samples are missing."""
    if len(marks_s) != 2:
        return None
    first, second = sorted(marks_s)
    at = np.interp((first, second), data.time_s, data.current)
    return Between(second - first, float(at[0]), float(at[1]))


def cut_to(data: StripData, shown_s: tuple[float, float]) -> StripData:
    """Return the strip with only what lies in a window, its samples left alone: they are cut when they are drawn."""
    start, end = shown_s
    judged = None
    if data.judged_s is not None and data.judged_s[1] > start and data.judged_s[0] < end:
        judged = (max(data.judged_s[0], start), min(data.judged_s[1], end))
    stretches = tuple(Stretch(max(s.start_s, start), min(s.end_s, end), s.kind) for s in data.stretches
                      if s.end_s > start and s.start_s < end)
    return replace(data, window_s=shown_s, judged_s=judged, stretches=stretches,
                   humps=tuple(h for h in data.humps if start <= h.time_s <= end),
                   marks_s=tuple(t for t in data.marks_s if start <= t <= end))
