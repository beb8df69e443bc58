"""A cranking under way, watched for its end; and what the detector says of it.

It ends where the current is gone, or where it has fallen to a level that no longer moves: pump, ignition and a clamp's
remanence leave 2 to 20 % of the humps on the cable for as long as one likes. A starter that is let go is switched off,
so that the current falls at once; between two humps it sinks slowly, and is back after as long as it has shown before.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.analysis.signal.detector.swell import SMOOTHED_FRAMES, SwellCounter

if TYPE_CHECKING:
    from crankfold.analysis.signal.detector.candidate import Candidate, Scale

END_S = 0.3  # near zero for so long: cranking is over; an overrunning engine is back sooner
END_SHARE = 0.12  # of the mean: a starter that has lost its engine runs on with about a tenth
END_DIP_FACTOR = 2.0  # a slow single-cylinder engine has shown by its own dips how long they last
LEFT_SHARE = 0.35  # of the mean: what pump, ignition and a clamp's remanence leave stays below, a starter idles below
FLAT_SHARE, FLAT_NOISES = 0.06, 6.0  # of the mean, and of the quiet's noise: a level that moves less is flat
LEFT_S = 0.45  # flat for so long: over, if two humps have shown how far apart they are
SWITCHED_AT_END_S = 0.05  # likewise where the record ends
SWITCHED_FRAMES, SWITCHED_SHARE = 3, 0.4  # frames, and of the mean: a fall so fast and far is a switch's, not a hump's
SWITCHED_LOW_SHARE = 0.25  # likewise out of a trough, where a record that ends soon is all there is to go by
SETTLES_S = 0.04  # a clamp's or filter's own lag between the switch and the flat level
HUMPS_SHOWN, APART_FACTOR = 2, 1.5
LEAST_HUMP_SHARE, LEAST_HUMP_NOISES = 0.10, 5.0  # of the mean, and of the noise


@dataclass(frozen=True)
class Onset:
    """Cranking has begun.

    Parameters
    ----------
    index
        Absolute index of the first sample that departed from quiet.
    zero, noise
        Of the quiet before, in the samples' unit.
    polarity
        1, or -1 when cranking current reads negative.
    """

    index: int
    zero: float
    noise: float
    polarity: int


@dataclass(frozen=True)
class Passed:
    """A load has come and gone, or stays, that is no cranking.

    Parameters
    ----------
    index
        Absolute index of its first sample.
    end
        Absolute index where it was given up.
    mean, peak
        Of its departure from zero, in the samples' unit.
    """

    index: int
    end: int
    mean: float
    peak: float


@dataclass(frozen=True)
class End:
    """Cranking is over, or was called over because it went on too long.

    Parameters
    ----------
    index
        Absolute index where the current had gone.
    too_long
        Whether it is still going on.
    """

    index: int
    too_long: bool = False


class CrankWatch:
    """A cranking under way, watched for its end."""

    def __init__(self, candidate: Candidate, scale: Scale, max_frames: int) -> None:
        self._zero, self._polarity, self._noise = candidate.zero, candidate.polarity, candidate.noise
        self._near = 0.5 * candidate.threshold
        self._frame_s = scale.frame_s
        self._hold = max(1, round(END_S / scale.frame_s))
        self._max_frames = max_frames
        self._frames = self._low = 0
        self._level = 0.0
        self._sum = 0.0  # the mean leaves out the low frames at its end: a starter running empty must not pull it down
        self._recent: deque[float] = deque(maxlen=SMOOTHED_FRAMES)
        self._flat = _FlatRun(max(1, round(SETTLES_S / scale.frame_s)))
        self._swells = SwellCounter(max_frames)
        self._last_hump, self._apart = 0, 0

    def add(self, mean: float, stop: int, frame: int) -> End | None:
        """Return the end if this frame, which ends at absolute index `stop`, decides it."""
        value = self._polarity * (mean - self._zero)
        self._recent.append(value)
        calm = min(value, sum(self._recent) / len(self._recent))  # one noisy frame does not bring the current back
        self._frames += 1
        if not self._flat.length:  # what lies flat must not pull down the measure that it is held against
            self._level = self._sum / max(1, self._frames - self._low)
        level = self._level
        self._flat.add(calm, most=LEFT_SHARE * level, moves=max(FLAT_SHARE * level, FLAT_NOISES * self._noise),
                       mean=level)
        self._count_hump(value, level)
        if calm < max(self._near, END_SHARE * level):
            self._low += 1
        else:
            self._sum += value
            self._hold = max(self._hold, round(END_DIP_FACTOR * self._low))
            self._low = 0
        if self._low >= self._hold:
            return End(stop - self._low * frame)
        if self._flat.length >= self._flat_hold():
            return End(stop - self._flat.length * frame)
        return End(stop, too_long=True) if self._frames >= self._max_frames else None

    def end(self, stop: int, frame: int) -> int:
        """Return the absolute index where the current had gone, or `stop` while it flows, for a record that ends."""
        left = self._flat.fell >= SWITCHED_LOW_SHARE and self._flat.length * self._frame_s >= SWITCHED_AT_END_S
        return stop - max(self._low, self._flat.length if left else 0) * frame

    def _count_hump(self, value: float, level: float) -> None:
        humps = self._swells.humps
        self._swells.add(value, max(LEAST_HUMP_SHARE * level, LEAST_HUMP_NOISES * self._noise))
        if self._swells.humps > humps:
            if humps:
                self._apart = max(self._apart, self._frames - self._last_hump)
            self._last_hump = self._frames

    def _flat_hold(self) -> float:
        """Return for how many frames a level must be flat to be what is left after the end."""
        shown = END_DIP_FACTOR * self._flat.longest
        if self._flat.fell >= SWITCHED_SHARE:
            return max(self._hold, shown)
        if self._swells.humps < HUMPS_SHOWN:
            return float("inf")
        return max(LEFT_S / self._frame_s, APART_FACTOR * self._apart, shown)


class _FlatRun:
    """The frames up to now that are low and do not move, and how far the current fell at once before them.

    Parameters
    ----------
    settles
        Frames that may lie between the fall and the flat level.
    """

    def __init__(self, settles: int) -> None:
        self.length = self.longest = 0
        self.fell = 0.0
        self._low = self._high = 0.0
        self._last: deque[float] = deque(maxlen=SWITCHED_FRAMES)
        self._falls: deque[float] = deque(maxlen=settles)

    def add(self, value: float, *, most: float, moves: float, mean: float) -> None:
        """Take the next frame: `most` is the highest level that counts, `moves` how much it may move."""
        self._falls.append((max(self._last) - value) / mean if self._last and mean > 0 else 0.0)
        self._last.append(value)
        if value >= most:
            self.longest, self.length = max(self.longest, self.length), 0
        elif self.length and max(self._high, value) - min(self._low, value) <= moves:
            self.length += 1
            self._low, self._high = min(self._low, value), max(self._high, value)
        else:
            self.length, self._low, self._high = 1, value, value
            self.fell = max(self._falls)
