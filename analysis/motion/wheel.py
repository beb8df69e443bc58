"""From the times at which teeth pass a sensor to the crank's motion: which tooth it was, where the gap is, how fast.

A crank wheel is written ``60-2``: sixty places, two of them left empty as the index. ``36`` has no gap; ``encoder:360``
counts lines of an encoder without an index. Times are of one kind of edge only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError, quoted

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

LEAST_TEETH, MOST_TEETH = 30, 7200  # a turn: with 24 the speed over 15 degrees is one tooth, and neighbours mix
MOST_MISSING = 4
GAP_SLACK = 0.35  # of a tooth: how far a gap may be from its length; speed changes by less within a tooth or two
LEAST_TIMES = 100  # two turns of a sixty-tooth wheel; a cranking has five hundred and more
MOST_LOST = 0.1  # of the turns: gaps that are not seen where they should be; more is another wheel, or lost teeth


@dataclass(frozen=True)
class Wheel:
    """Places a turn, and how many of them are left empty as the index; 0: there is none."""

    places: int
    missing: int = 0

    def __post_init__(self) -> None:
        if not (LEAST_TEETH <= self.places <= MOST_TEETH and 0 <= self.missing <= min(MOST_MISSING, self.places // 6)):
            raise InputError(f"a wheel of {self.places} places with {self.missing} missing: give {LEAST_TEETH} to "
                             f"{MOST_TEETH} places and up to {MOST_MISSING} missing, such as 60-2")

    @classmethod
    def parse(cls, text: str) -> Wheel:
        """Return the wheel of a text such as ``60-2``, ``36`` or ``encoder:360``.

        Raises
        ------
        InputError
            It is not of that form.

        >>> Wheel.parse("60-2")
        Wheel(places=60, missing=2)
        """
        match = re.fullmatch(r"\s*(?:encoder:)?(\d{1,4})(?:-(\d))?\s*", text)
        if match is None:
            raise InputError(f"wheel {quoted(text)} is not places and missing teeth; "
                             "write it like 60-2, 36 or encoder:360")
        return cls(int(match[1]), int(match[2] or 0))

    @property
    def pitch_deg(self) -> float:
        """Degrees from one place to the next."""
        return 360.0 / self.places


@dataclass(frozen=True, eq=False)
class Motion:
    """The crank's motion, edge by edge.

    Parameters
    ----------
    time_s, angle_deg : ndarray, shape (n,)
        When each edge passed, and the crank's angle then, unwrapped; 0 is the first tooth after the index, of the
        first whole turn, where there is an index, else the first edge.
    indexed
        Whether there is an index.
    pitch_deg
        Between places: how fine the wheel is.
    """

    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    indexed: bool
    pitch_deg: float

    @property
    def speed_deg_s(self) -> NDArray[np.float64]:
        """Mean speed between neighbouring edges, shape (n - 1,)."""
        out: NDArray[np.float64] = np.diff(self.angle_deg) / np.diff(self.time_s)
        return out

    @property
    def rpm(self) -> float:
        """Mean speed."""
        return float(np.ptp(self.angle_deg) / np.ptp(self.time_s)) / 6.0

    def between(self, from_s: float, to_s: float) -> Motion:
        """Return the part between two times."""
        kept = (self.time_s >= from_s) & (self.time_s <= to_s)
        return Motion(self.time_s[kept], self.angle_deg[kept], self.indexed, self.pitch_deg)


def motion_of(times_s: ArrayLike, wheel: Wheel) -> Motion:
    """Return the motion of the times at which teeth passed, shape (n,), seconds, rising.

    Raises
    ------
    InputError
        There are too few, they do not rise, or the gaps are not those of the wheel.
    """
    t = np.asarray(times_s, dtype=np.float64)
    if t.ndim != 1 or len(t) < LEAST_TIMES or not np.isfinite(t).all():
        raise InputError(f"tooth times of shape {t.shape}: give one column of {LEAST_TIMES} or more, in seconds")
    step = np.diff(t)
    if step.min() <= 0.0:
        at = int(np.argmin(step)) + 1
        raise InputError(f"tooth time {at + 1} is not after the one before; give them in order, one kind of edge only")
    if not wheel.missing:
        return Motion(t, wheel.pitch_deg * np.arange(len(t), dtype=np.float64), False, wheel.pitch_deg)
    gaps = _gaps(step, wheel)
    places = np.where(gaps, wheel.missing + 1, 1)
    count = np.concatenate(([0], np.cumsum(places)))
    first = count[int(np.flatnonzero(gaps)[0]) + 1]
    angle = wheel.pitch_deg * (count - first)
    return Motion(t, angle.astype(np.float64), True, wheel.pitch_deg)


def _gaps(step: NDArray[np.float64], wheel: Wheel) -> NDArray[np.bool_]:
    """Return which intervals hold the missing teeth: once a turn, and as much longer than those on either side.

    Raises
    ------
    InputError
        They do not come once a turn.
    """
    pad = np.pad(step, 1, mode="edge")
    ratio = step / np.maximum(pad[:-2], pad[2:])  # the crank slows within a tooth or two, but not on one side only
    long = np.abs(ratio / (wheel.missing + 1) - 1.0) < GAP_SLACK
    long[[0, -1]] = False
    turn = wheel.places - wheel.missing
    votes = np.bincount(np.flatnonzero(long) % turn, minlength=turn)
    place = int(np.argmax(votes))
    gaps: NDArray[np.bool_] = np.arange(len(step)) % turn == place
    turns, found = int(gaps[1:-1].sum()), int(votes[place])
    if found < 2 or found < turns - max(1.0, MOST_LOST * turns):  # the first may hide in the run-up
        raise InputError(f"the gaps of a wheel {wheel.places}-{wheel.missing} do not come once a turn in these tooth "
                         f"times ({found} of {turns}); check the wheel, and that one kind of edge is given")
    return gaps


def motion_of_speed(time_s: ArrayLike, rpm: ArrayLike) -> Motion:
    """Return the motion of a speed that was logged, arrays of shape (n,), as from a frequency channel.

    The angle is its integral and begins at 0; there is no index.

    Raises
    ------
    InputError
        They differ in length, times do not rise, a speed is not above zero, or there are too few readings a turn.
    """
    t, speed = np.asarray(time_s, dtype=np.float64), np.asarray(rpm, dtype=np.float64)
    if t.ndim != 1 or t.shape != speed.shape or len(t) < LEAST_TIMES or not np.isfinite(t + speed).all():
        raise InputError(f"times of shape {t.shape} and speeds of shape {speed.shape}: give two columns of "
                         f"{LEAST_TIMES} or more")
    if np.diff(t).min() <= 0.0:
        raise InputError("the times of the speed log do not rise; give them in order")
    turning = np.flatnonzero(speed > 0.0)
    if len(turning) < LEAST_TIMES:
        raise InputError("the engine does not turn in this speed log; log from before the key is turned to its release")
    part = slice(int(turning[0]), int(turning[-1]) + 1)
    t, speed = t[part], np.maximum(speed[part], 1.0)
    step = 6.0 * np.diff(t) * (speed[1:] + speed[:-1]) / 2.0
    angle = np.concatenate(([0.0], np.cumsum(step)))
    pitch = float(np.median(step))
    if pitch > 360.0 / LEAST_TEETH:
        raise InputError(f"{360.0 / pitch:.0f} speed readings a turn are too few, and {LEAST_TEETH} are the least; "
                         "log the times of the teeth")
    return Motion(t, angle, False, pitch)
