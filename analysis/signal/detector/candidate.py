"""A load that has come on, and whether it is the starter.

The starter is told from lamps, motors, glow plugs, relays and sparks by its humps: at least three that swell rather
than jump. A cranking that ends sooner needs two. An engine that shows no humps at all is known by an in-rush that dies
within a third of a second, as only a motor with a heavy flywheel has it, and by what it goes on to draw.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

from crankfold.analysis.signal.detector.swell import GRADUAL_SHARE, SwellCounter

HUMPS, HUMPS_WHEN_ENDED = 3, 2
ONE_HUMP_A, ONE_HUMP_S = 40.0, 0.25  # with a single hump: at least that much for at least so long, as no lamp or window
HUMPS_APART_S = 1.6  # a single cylinder at 80 revolutions a minute
LEAST_HEIGHT_SHARE = 0.10  # of the mean: a series-wound starter on an eight shows humps of a ninth
LEAST_HEIGHT_NOISES = 5.0
LEAST_HEIGHT_A = 4.0  # half of what a small window motor's ripple and stall steps reach
LEAST_MEAN_A = 20.0  # smallest pumps draw 40 A at the peaks
LEAST_MEAN_NOISES = 10.0
AWAY_S = 0.2  # near zero for longer: it is over; an overrunning engine is back sooner
SPIKE_S, APART_S = 0.03, 0.02  # shorter than that and then away that long: a spike, not the beginning of what follows
STEADY_S = 0.12
STEADY_SHARE = 0.2
LEADS_S = (0.04, 0.08, 0.12)  # a solenoid leads its motor by so much: before that it was steady, or before the next
JUMP_FRAMES, JUMP_SHARE = 2, 0.5  # of the rise above the steady load, and of the highest so far
JUMP_S = 0.2  # a jump later than this after the first departure is another load; the solenoid leads by less
SMOOTH_S = 1.5  # without in-rush or hump for so long: a steady load, and the new zero
PATIENT_S = 6.0  # with an in-rush: an engine with its decompressor lifted turns for seconds without humps
LONGEST_S = 15.0
INRUSH_S, SETTLED_S = 0.35, 0.5
INRUSH_RATIO = 1.8
HEAVY_A = 200.0  # glow plugs of a large diesel take 150 A
LARGE_SHARE = 0.15  # of the highest
BRIEF_S = 0.25  # a spark or a short circuit is over sooner
HUMPLESS_A = 60.0  # a starter that turns an engine without compression; fans and window motors stay below
HUMPLESS_HELD_SHARE = 0.75  # glow plugs go on falling
DIES_AWAY_SHARE = 0.6


class Finding(Enum):
    """What a candidate turns out to be, after each frame."""

    OPEN = "open"
    CRANKING = "cranking"
    OVER = "over"
    STEADY = "steady"
    ANOTHER = "another"


@dataclass(frozen=True)
class Scale:
    """What the samples' numbers mean: whether amperes are known, and how long a frame is in seconds."""

    amperes: bool
    frame_s: float


class Candidate:
    """A load since its departure from quiet, frame by frame.

    Parameters
    ----------
    onset
        Absolute index of the first sample that departed.
    zero, noise
        Of the quiet before.
    threshold
        Departure that counts, in the samples' unit.
    polarity
        1 or -1: the sign of the departure.
    """

    def __init__(self, onset: int, *, zero: float, noise: float, threshold: float, polarity: int, scale: Scale) -> None:
        self.onset, self.zero, self.noise, self.polarity = onset, zero, noise, polarity
        self.threshold, self._scale = threshold, scale
        self.lead_frames = self._count(LEADS_S[0])
        self._swells = SwellCounter(self._count(HUMPS_APART_S))
        self._frames: list[float] = []
        self._sum = 0.0
        self._away = 0
        self._present = 0
        self._beyond = 0

    @property
    def mean(self) -> float:
        """Mean departure since the onset, in the samples' unit."""
        return self._sum / max(1, len(self._frames))

    @property
    def peak(self) -> float:
        """Highest departure since the onset, in the samples' unit; 0 before the first frame."""
        return max(self._frames, default=0.0)

    @property
    def means(self) -> list[float]:
        """The frame means since the onset, of the samples themselves, not of the departure."""
        return [self.zero + self.polarity * value for value in self._frames]

    def add(self, mean: float) -> Finding:
        """Return what the candidate is after one more frame mean."""
        value = self.polarity * (mean - self.zero)
        if self._is_another(value):
            return Finding.ANOTHER
        self._frames.append(value)
        self._sum += value
        away = value < 0.5 * self.threshold
        self._away = self._away + 1 if away else 0
        self._present += not away
        self._swells.add(value, self._least_height())
        return self._finding()

    def at_end(self) -> bool:
        """Return whether it was cranking, now that it is over."""
        humps = self._swells.humps + self._swells.swelling
        if self._large_throughout():
            return True
        large = self._scale.amperes and self._sum >= ONE_HUMP_A * max(self._present, self._count(ONE_HUMP_S))
        enough = humps >= (1 if large else HUMPS_WHEN_ENDED)
        return self._strong(self.mean) and (enough or self._humpless())

    def _finding(self) -> Finding:
        if self._swells.humps >= HUMPS and self._strong(self.mean):
            return Finding.CRANKING
        if self._away >= self._count(AWAY_S):
            return Finding.CRANKING if self.at_end() else Finding.OVER
        if self._is_at(SMOOTH_S) and (self._humpless() or self._heavy()):
            return Finding.CRANKING
        patience_s = PATIENT_S if self._inrush() else SMOOTH_S
        waited = len(self._frames) >= self._count(patience_s) and self._swells.humps == 0
        return Finding.STEADY if waited or len(self._frames) >= self._count(LONGEST_S) else Finding.OPEN

    def _is_another(self, value: float) -> bool:
        """Whether this frame begins a load of its own: after a spike, beyond zero, or a jump out of a steady one."""
        self._beyond = self._beyond + 1 if value < -self.threshold else 0
        if self._beyond >= self.lead_frames:
            return True
        if self._swells.humps:
            return False
        spike = 0 < self._present <= self._count(SPIKE_S)  # a zero that creeps up has frames before it, but no spike
        if value > self.threshold and self._away >= self._count(APART_S) and spike:
            return True
        for lead in map(self._count, LEADS_S):
            if self._is_jump(value, lead):
                self.lead_frames = lead
                return True
        return False

    def _is_jump(self, value: float, lead: int) -> bool:
        """Whether this frame jumps out of a load that was steady until so many frames ago."""
        if len(self._frames) < max(self._count(JUMP_S), JUMP_FRAMES, lead + 1):  # a slow logger has few frames
            return False
        before = self._frames[-self._count(STEADY_S) - lead : -lead]
        low, high = min(before), max(before)
        steady = high - low < STEADY_SHARE * abs(high) + 4.0 * self.noise
        jump = value - self._frames[-JUMP_FRAMES]
        large = value - high > max(2.0 * self.threshold, JUMP_SHARE * max(self._frames))
        return steady and large and jump > JUMP_SHARE * (value - high)

    def _least_height(self) -> float:
        floor = LEAST_HEIGHT_A if self._scale.amperes else 0.0
        return max(LEAST_HEIGHT_SHARE * self.mean, LEAST_HEIGHT_NOISES * self.noise, floor)

    def _strong(self, mean: float) -> bool:
        floor = LEAST_MEAN_A if self._scale.amperes else 0.0
        return mean >= max(LEAST_MEAN_NOISES * self.noise, floor)

    def _inrush(self) -> bool:
        """Whether a peak at the beginning has died away as a motor's in-rush does."""
        settled = self._frames[self._count(INRUSH_S) : self._count(SETTLED_S)]
        if not settled:
            return False
        return max(self._frames[: self._count(INRUSH_S)]) >= INRUSH_RATIO * sum(settled) / len(settled)

    def _humpless(self) -> bool:
        """Whether it looks like a starter that turns an engine without compression."""
        if not self._scale.amperes or len(self._frames) < self._count(SMOOTH_S) or not self._inrush():
            return False
        first = self._frames[self._count(INRUSH_S) : self._count(SETTLED_S)]
        late = self._frames[self._count(SMOOTH_S) - len(first) : self._count(SMOOTH_S)]
        level, held = sum(first) / len(first), sum(late) / len(late)
        flat = max(self._frames[self._count(INRUSH_S) :]) < INRUSH_RATIO * level
        return held >= HUMPLESS_A and held >= HUMPLESS_HELD_SHARE * level and flat and self._dies_away(level)

    def _dies_away(self, level: float) -> bool:
        """Whether the in-rush sinks to the level step by step, as a motor's does, where a spark breaks off."""
        inrush = self._frames[: self._count(SETTLED_S)]
        after = inrush[inrush.index(max(inrush)) :]
        drop = max(a - b for a, b in pairwise(after))
        return min(after) >= DIES_AWAY_SHARE * level and drop <= GRADUAL_SHARE * (after[0] - level)

    def _heavy(self) -> bool:
        """Whether it has drawn all along what nothing but a starter draws: a seized engine, or a clamp at its limit."""
        return self._scale.amperes and min(self._frames[self._count(INRUSH_S) :], default=0.0) >= HEAVY_A

    def _large_throughout(self) -> bool:
        """Whether it has drawn for long enough, if with no hump yet, what only a starter draws."""
        if not self._scale.amperes:
            return False
        high = [f for f in self._frames if f >= LARGE_SHARE * max(self._frames)]  # not what stays when it is over
        return len(high) >= self._count(BRIEF_S) and sum(high) >= HEAVY_A * len(high)

    def _is_at(self, seconds: float) -> bool:
        return len(self._frames) == self._count(seconds)

    def _count(self, seconds: float) -> int:
        return max(1, round(seconds / self._scale.frame_s))
