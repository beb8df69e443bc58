"""Finds the onset and the end of cranking in a stream of current samples.

The stream is cut into frames of about 4 ms whose borders are multiples of the absolute sample index, so that the same
samples give the same answer however they arrive. Everything is decided on frame means; only the onset itself is then
looked up to the sample.
"""

from __future__ import annotations

from collections import deque
from enum import Enum
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.analysis.signal.detector.candidate import STEADY_SHARE, Candidate, Finding, Scale
from crankfold.analysis.signal.detector.quiet import (
    EVENED,
    HELD_BACK_FRAMES,
    MAD_TO_SD,
    NEEDED_FRAMES,
    Quiet,
    first_departure,
    frame_means,
)
from crankfold.analysis.signal.detector.watch import CrankWatch, End, Onset, Passed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis import Channel

FRAME_S = 0.004  # a hump lasts 30 ms at the least; the starter's solenoid leads its motor by more than one frame
THRESHOLD_NOISES = 6.0  # three steps of a converter whose quiet hardly moves: the noise is half a step at the least
THRESHOLD_A = 8.0  # a dome lamp stays below, the solenoid of the smallest starter draws 10 A
HARMLESS_A = 4.0  # noise of frames: more of it hides humps, and is looked at whether it is hum
HISTORY_FRAMES = 10  # raw samples kept before the frame at hand, for the exact onset,
HISTORY_SAMPLES = 8192  # or so many where that is less, but two frames: copying more would cost time at high rates
STEADY_S = 0.3
LOADS_KEPT = 32
MAX_CRANK_S = 30.0  # the longest that any service manual allows without a rest; then the capture is closed


class DetectorState(Enum):
    """What the trigger is doing."""

    LEARNING = "learning the quiet"
    ARMED = "armed"
    WATCHING = "a load is on"
    CRANKING = "cranking"
    SPENT = "cranked too long"


class CrankingDetector:
    """A state machine from samples to onsets and ends.

    Attributes
    ----------
    state
        What it is doing.
    passed
        The last loads that came and were no cranking.

    Parameters
    ----------
    rate_hz
        Samples a second.
    channel
        Scale, offset and unit of the samples: with amperes known, their size counts; else noise and steps alone.
    max_crank_s
        A cranking is called over after so many seconds.
    quiet
        Frame means of a rest that is known already, `NEEDED_FRAMES` or more, in the channel's unit; None: it is learnt
        from what comes first.
    least_noise
        What the noise cannot be below, in the channel's unit; half a step of the converter where its step is known.
    """

    def __init__(self, rate_hz: float, channel: Channel, *, max_crank_s: float = MAX_CRANK_S,
                 quiet: Sequence[float] | None = None, least_noise: float = 0.0) -> None:
        self.frame = max(1, round(rate_hz * FRAME_S))
        self.state = DetectorState.LEARNING
        self.passed: deque[Passed] = deque(maxlen=LOADS_KEPT)
        self._channel = channel
        self._scale = Scale(channel.unit == "A", self.frame / rate_hz)
        self._step = abs(channel.scale) if channel.code_dtype.startswith(("int", "uint")) else 0.0
        self._quiet = Quiet(max(0.5 * self._step, least_noise),
                            harmless=HARMLESS_A if channel.unit == "A" else float("inf"))
        self._raw: deque[float] = deque(maxlen=max(EVENED))
        self._even: deque[float] = deque(maxlen=HELD_BACK_FRAMES + 1)
        if quiet is not None:
            self._quiet.restart(list(quiet))
            self.state = DetectorState.ARMED
        self._history = max(2, min(HISTORY_FRAMES, HISTORY_SAMPLES // self.frame)) * self.frame
        self._tail: NDArray[Any] | None = None
        self._tail_stop = 0
        self._torn = False
        self._last_mean = 0.0
        self._next_frame = 0
        self._candidate: Candidate | None = None
        self._crank: CrankWatch | None = None
        self._max_frames = round(max_crank_s / self._scale.frame_s)

    def feed(self, first_index: int, samples: NDArray[Any]) -> list[Onset | End]:
        """Return what was found in the next samples.

        Parameters
        ----------
        first_index
            Absolute index of the first of them; they follow those of the last call.
        samples : ndarray, shape (n,)
            Codes or values of the current channel.
        """
        if self._tail is None or first_index != self._tail_stop:
            self._tail = samples[:0]
            self._next_frame = -(-first_index // self.frame) * self.frame
        held = np.concatenate((self._tail, samples))
        stop = first_index + len(samples)
        start = stop - len(held)
        found = self._frames(held, start, stop)
        self._tail = held[max(0, self._next_frame - self._history - start) :].copy()
        self._tail_stop = stop
        return found

    def finish(self) -> list[Onset | End]:
        """Return what the end of the stream decides: a cranking under way ends with it."""
        found: list[Onset | End] = []
        if self._crank is not None:
            found = [] if self.state is DetectorState.SPENT else [End(self._crank.end(self._next_frame, self.frame))]
        elif self._candidate is not None:
            if self._candidate.at_end():
                found = [_onset(self._candidate), self._end_of(self._candidate)]
            else:
                self._pass(self._candidate)
        self._crank = self._candidate = None
        self.state = DetectorState.ARMED if self._quiet.known else DetectorState.LEARNING
        return found

    def _end_of(self, candidate: Candidate) -> End:
        """Return where a load that turned out to be cranking, now that the stream ends, was over."""
        watch, stop = CrankWatch(candidate, self._scale, self._max_frames), self._next_frame
        for back, mean in enumerate(candidate.means):
            at = stop - (len(candidate.means) - back - 1) * self.frame
            end = watch.add(mean, at, self.frame)
            if end is not None and not end.too_long:
                return end
        return End(self._tail_stop if watch.end(stop, self.frame) == stop else watch.end(stop, self.frame))

    def forget(self) -> list[Onset | End]:
        """Return what a break in the stream decides, and begin again after it.

        Zero and noise are kept, unless a load is on right after the break: when it came on can no longer be told.
        """
        found = self.finish()
        self._tail, self._torn = None, True
        self._quiet.forget_waiting()
        return found

    def _frames(self, held: NDArray[Any], start: int, stop: int) -> list[Onset | End]:
        begin, count = self._next_frame - start, (stop - self._next_frame) // self.frame
        if count <= 0:
            return []
        whole = held[begin : begin + count * self.frame].reshape(count, self.frame)
        means = frame_means(whole, self._channel, self._last_mean)
        self._last_mean = float(means[-1])
        found: list[Onset | End] = []
        for mean in means.tolist():
            self._next_frame += self.frame
            event = self._step_on(mean, held, start)
            found += event
        return found

    def _step_on(self, raw: float, held: NDArray[Any], start: int) -> list[Onset | End]:
        self._raw.append(raw)
        evened = self._quiet.evened  # settled while nothing is on
        mean = raw if evened == 1 else sum(list(self._raw)[-evened:]) / min(evened, len(self._raw))
        self._even.append(mean)
        if self._crank is not None:
            return self._while_cranking(mean)
        if self._candidate is not None:
            return self._while_watching(mean, held, start)
        self._learn_step(held, start)
        torn, self._torn = self._torn, False
        if self._quiet.known and abs(mean - self._quiet.zero) > self._threshold(self._quiet.noise):
            if not torn:
                self._depart(list(self._even)[-len(self._quiet.waiting) - 1 :], held, start)
                return []
            self._quiet = self._quiet.anew()
        self._quiet.add(raw)
        self.state = DetectorState.ARMED if self._quiet.known else DetectorState.LEARNING
        return []

    def _learn_step(self, held: NDArray[Any], start: int) -> None:
        """Take the smallest difference between neighbours for a step of the converter, where nobody said what it is."""
        unsaid = held.dtype.kind == "f" and not self._scale.amperes
        if unsaid and (not self._quiet.known or self._step == 0.0):
            first = max(0, self._next_frame - self.frame - self._history - start)
            steps = np.abs(np.diff(held[first : self._next_frame - start] * self._channel.scale))
            steps = steps[steps > 0]
            if len(steps):
                self._step = min(self._step, float(steps.min())) if self._step else float(steps.min())
                self._quiet.least_noise = 0.5 * self._step

    def _threshold(self, noise: float) -> float:
        return max(THRESHOLD_NOISES * noise, THRESHOLD_A if self._scale.amperes else 0.0)

    def _depart(self, means: list[float], held: NDArray[Any], start: int) -> None:
        """Begin to watch a load; the last of `means` is beyond the threshold, the load may have begun before it."""
        quiet = self._quiet
        quiet.forget_waiting()
        polarity = 1 if means[-1] > quiet.zero else -1
        threshold = self._threshold(quiet.noise)
        departures = polarity * (np.array(means) - quiet.zero)
        back = len(means) - min(len(means) - 1, first_departure(departures, max(1.5 * quiet.noise, 0.3 * threshold)))
        onset = self._next_frame - back * self.frame
        if (back + 1) * self.frame <= self._history and quiet.evened == 1:
            onset = self._exact(onset, polarity, threshold, held, start)
        self._candidate = Candidate(onset, zero=quiet.zero, noise=quiet.noise, threshold=threshold, polarity=polarity,
                                    scale=self._scale)
        for mean in means[-back:]:
            self._candidate.add(mean)
        self.state = DetectorState.WATCHING

    def _exact(self, frame_at: int, polarity: int, threshold: float, held: NDArray[Any], start: int) -> int:
        """Return the absolute index of the first sample that departed, in the frame at `frame_at` or beside it."""
        first = max(0, frame_at - self.frame - start)
        stop = min(frame_at + 2 * self.frame, self._next_frame) - start
        values = polarity * (held[first:stop] * self._channel.scale + self._channel.offset - self._quiet.zero)
        before = values[: max(1, frame_at - start - first)]
        noise = MAD_TO_SD * float(np.median(np.abs(before)))
        allowance = min(max(1.5 * noise, 0.3 * threshold), 0.9 * float(values[-self.frame :].mean()))
        return start + first + first_departure(values, allowance)

    def _while_watching(self, mean: float, held: NDArray[Any], start: int) -> list[Onset | End]:
        candidate = self._candidate
        assert candidate is not None
        finding = candidate.add(mean)
        if finding is Finding.CRANKING:
            self._candidate, self._crank = None, CrankWatch(candidate, self._scale, self._max_frames)
            self.state = DetectorState.CRANKING
            return [_onset(candidate), *self._catch_up(candidate)]
        if finding is Finding.OPEN:
            return []
        self._pass(candidate)
        if finding is Finding.ANOTHER:
            lead = candidate.lead_frames
            self._restart_quiet(candidate.means[:-lead], only_if_steady=True)
            self._depart([*candidate.means[-lead:], mean], held, start)
            return []
        if finding is Finding.STEADY:
            self._restart_quiet(candidate.means, only_if_steady=False)
        self._candidate, self.state = None, DetectorState.ARMED
        return []

    def _pass(self, candidate: Candidate) -> None:
        self.passed.append(Passed(candidate.onset, self._next_frame, candidate.mean, candidate.peak))

    def _restart_quiet(self, means: list[float], *, only_if_steady: bool) -> None:
        """Take what a steady load draws for the new zero."""
        frames = means[-max(NEEDED_FRAMES, round(STEADY_S / self._scale.frame_s)) :]
        if len(frames) < NEEDED_FRAMES:
            return
        spread = max(frames) - min(frames)
        level = abs(sum(frames) / len(frames) - self._quiet.zero)
        if not only_if_steady or spread <= STEADY_SHARE * level + 4.0 * self._quiet.noise:
            self._quiet.restart(frames)

    def _catch_up(self, candidate: Candidate) -> list[Onset | End]:
        """Run the frames since the onset through the watch for the end."""
        found: list[Onset | End] = []
        frames = candidate.means
        for back, mean in enumerate(frames):
            if self._crank is not None:
                found += self._while_cranking(mean, at=self._next_frame - (len(frames) - back - 1) * self.frame)
        return found

    def _while_cranking(self, mean: float, at: int | None = None) -> list[Onset | End]:
        crank = self._crank
        assert crank is not None
        end = crank.add(mean, self._next_frame if at is None else at, self.frame)
        if end is None:
            return []
        if end.too_long:
            if self.state is DetectorState.SPENT:
                return []
            self.state = DetectorState.SPENT
            return [end]
        spent, self._crank = self.state is DetectorState.SPENT, None
        self.state = DetectorState.ARMED
        late = (self._quiet.evened - 1) * self.frame  # a mean over several frames is down only with the last of them
        return [] if spent else [End(end.index - late)]


def _onset(candidate: Candidate) -> Onset:
    return Onset(candidate.onset, candidate.zero, candidate.noise, candidate.polarity)
