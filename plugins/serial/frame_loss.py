"""How many samples are missing between two data frames: exactly, or None where the counters cannot tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.plugins.serial.frame_format import OVERRUN_WRAP, SEQUENCE_WRAP

if TYPE_CHECKING:
    from numpy.typing import NDArray

BUFFERED_S = 2.0
"""How much longer than the time between two reads a gap in the samples may be: what drivers hold back, and the rate's
tolerance. A loss that would have taken longer than that cannot have happened."""


class FrameLoss:
    """Follows the counters of data frames.

    Parameters
    ----------
    frame_samples
        Samples of each channel in a data frame.
    rate_hz
        Samples a second.
    """

    def __init__(self, *, frame_samples: int, rate_hz: float) -> None:
        self._frame_samples = frame_samples
        self._rate_hz = rate_hz
        self._sequence = SEQUENCE_WRAP - 1
        self._overrun = 0
        self._seen_s = 0.0
        self._torn = False

    def restart(self, now_s: float, *, torn: bool = False) -> None:
        """Expect the first frame of a stream that begins now; `torn` when samples of an earlier stream were lost."""
        self._sequence, self._overrun, self._seen_s, self._torn = SEQUENCE_WRAP - 1, 0, now_s, torn

    def before(self, sequence: NDArray[np.int64], overrun: NDArray[np.int64],
               now_s: float) -> list[tuple[int, int | None]]:
        """Return where samples are missing in front of frames that arrived together.

        Parameters
        ----------
        sequence, overrun : ndarray, shape (frames,)
            The counters of the frames.
        now_s
            Time of arrival, seconds.

        Returns
        -------
        list of (frame, lost)
            Frame number within the arrays, and samples of each channel missing before it, None if nobody knows.
        """
        frames = (np.diff(sequence, prepend=self._sequence) - 1) % SEQUENCE_WRAP
        thrown = np.diff(overrun, prepend=self._overrun) % OVERRUN_WRAP
        possible = (now_s - self._seen_s + BUFFERED_S) * self._rate_hz
        lost = [(int(at), self._judge(int(frames[at]) * self._frame_samples, int(thrown[at]), possible))
                for at in np.flatnonzero((frames != 0) | (thrown != 0))]
        whole_wrap = possible >= SEQUENCE_WRAP * self._frame_samples
        if self._torn or (whole_wrap and not (lost and lost[0][0] == 0)):
            lost = [(0, None), *(entry for entry in lost if entry[0] != 0)]
        self._sequence, self._overrun = int(sequence[-1]), int(overrun[-1])
        self._seen_s, self._torn = now_s, False
        return lost

    def _judge(self, missing: int, thrown: int, possible: float) -> int | None:
        """Return the only loss that fits the counters and the time that has passed, None for none or several."""
        wrap = SEQUENCE_WRAP * self._frame_samples
        if missing + thrown > possible or missing + thrown + wrap <= possible:
            return None
        return missing + thrown
