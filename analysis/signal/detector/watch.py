"""A cranking under way, watched for its end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crankfold.analysis.signal.detector.candidate import Candidate, Scale

END_S = 0.3  # near zero for so long: cranking is over; an overrunning engine is back sooner
END_SHARE = 0.12  # of the mean: a starter that has lost its engine runs on with about a tenth
END_DIP_FACTOR = 2.0  # a slow single-cylinder engine has shown by its own dips how long they last


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
        self._zero, self._polarity = candidate.zero, candidate.polarity
        self._near = 0.5 * candidate.threshold
        self._hold = max(1, round(END_S / scale.frame_s))
        self._max_frames = max_frames
        self._frames = self._low = 0
        self._sum = 0.0  # the mean leaves out the low frames at its end: a starter running empty must not pull it down

    def add(self, mean: float, stop: int, frame: int) -> End | None:
        """Return the end if this frame, which ends at absolute index `stop`, decides it."""
        value = self._polarity * (mean - self._zero)
        self._frames += 1
        if value < max(self._near, END_SHARE * self._sum / max(1, self._frames - self._low)):
            self._low += 1
        else:
            self._sum += value
            self._hold = max(self._hold, round(END_DIP_FACTOR * self._low))
            self._low = 0
        if self._low >= self._hold:
            return End(self.end(stop, frame))
        return End(stop, too_long=True) if self._frames >= self._max_frames else None

    def end(self, stop: int, frame: int) -> int:
        """Return the absolute index where the current had gone, or `stop` while it flows."""
        return stop - self._low * frame
