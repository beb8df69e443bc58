"""When a source was last heard, and whether its silence is the board's or that of a reader that hangs or starves."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.acquire.errors import BoardStalledError

if TYPE_CHECKING:
    import threading

    from crankfold.acquire.contract import SourceInfo
    from crankfold.acquire.stream.plan import RecordingPlan

WORKS_S = 5e-5  # of the processor between two looks: one that waits for its turn wakes often, one that hangs never
MOST_BUSY_S = 10.0  # then a read that calculates is given up like one that hangs
SILENT_LOOKS = 3  # in a row before it is given up: the reader may have been starved, not the board silent


class Silence:
    """Watches a source for silence; the reader tells what it heard, the waiting side looks whether the reader hangs.

    Parameters
    ----------
    info
        Of the source; only one that is live is watched, as an instrument that gives records may be quiet for one.
    plan
        How long a silence may last.
    """

    def __init__(self, info: SourceInfo, plan: RecordingPlan) -> None:
        self._info, self._plan = info, plan
        self._looks, self._used_s = 0, 0.0
        self.heard_any = False
        self.begin()

    def begin(self) -> None:
        """Count from now on."""
        self._heard_s = self._returned_s = time.monotonic()

    def returned(self) -> float:
        """Note that a read has come back, with or without samples, and return the time."""
        self._returned_s = time.monotonic()
        return self._returned_s

    def heard(self) -> None:
        """Note that samples came and were taken."""
        self._heard_s, self.heard_any = time.monotonic(), True

    @property
    def length_s(self) -> float:
        """How long nothing has been heard."""
        return time.monotonic() - self._heard_s

    @property
    def watched(self) -> bool:
        """Whether a silence means anything."""
        return self._info.live

    @property
    def patience_s(self) -> float:
        """How long a silence may last now: longer before the first sample."""
        return self._plan.stall_s if self.heard_any else self._plan.first_sample_s

    def reader_hangs(self, reader: threading.Thread) -> bool:
        """Return whether the reader hangs inside the source; asked again and again, at equal times."""
        if not self.watched or time.monotonic() - self._returned_s < self.patience_s:
            self._looks = 0
            return False
        busy = self._works(reader) and time.monotonic() - self._returned_s < MOST_BUSY_S
        self._looks = 0 if busy else self._looks + 1
        return self._looks >= SILENT_LOOKS

    def _works(self, reader: threading.Thread) -> bool:
        """Return whether the reader has used the processor since the last look: it is starved then, or calculates."""
        try:
            told = Path(f"/proc/self/task/{reader.native_id}/schedstat").read_text(encoding="ascii")
            used_s = 1e-9 * int(told.split()[0])
        except (OSError, ValueError, IndexError):  # a system that does not tell, or a thread that has just ended
            return False
        before_s, self._used_s = self._used_s, used_s
        return used_s - before_s > WORKS_S

    def error(self) -> BoardStalledError:
        """Return the error that says so."""
        title = self._info.title
        if not self.heard_any:
            return BoardStalledError(f"{title} has sent nothing for {self.length_s:.1f} s",
                                     "check that it is the right board, runs its program, and the rate it was set to")
        return BoardStalledError(f"{title} has stopped sending, {self.length_s:.1f} s ago",
                                 "check its cable and its supply; cranking may pull the supply down")
