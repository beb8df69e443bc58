"""What a recording is to be, and what it reports while it goes on; lost samples are told once a second at most."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from crankfold.analysis import Channel

CRANK_AT_MOST_S = 10.0  # service manuals: 10 s, then 60 s; others allow 15 or 30 s: the shortest suits all starters
REST_S = 60.0  # what goes with it; the people who crank are told so
TELL_EVERY_S = 1.0
UNKNOWN = -1


@dataclass(frozen=True)
class RecordingPlan:
    """How to record.

    Parameters
    ----------
    pre_trigger_s, post_s
        Kept before the onset and after the end of a crank; after it as far as it has come when the end is known.
    rest_after_s
        Cranking longer than that brings the warning to let the starter rest.
    max_crank_s
        A capture is closed after so long, even if cranking goes on.
    first_sample_s
        How long a board may take to send its first sample; one that restarts when opened needs 2 to 5 s.
    stall_s
        A board that then sends nothing for so long has stopped.
    shutdown_s
        How long the reader thread may take to end.
    finite_s
        Length of a file that is still handed on whole.
    each_crank
        Whether each crank is a capture of its own; None: of a live or endless source yes, of a file no.
    journal_folder
        Where a crank under way is written at once, so that it survives the program; None: nowhere.
    current
        The current's channel in amperes, as `Probe.channel` gives it, so that the trigger can tell a lamp from a
        starter by size; None: as the source describes it.
    current_column
        Column of the current.
    about
        What is known of the captures beforehand: engine, wiring, job; each carries it, see `Capture.about`.
    """

    pre_trigger_s: float = 1.5
    post_s: float = 0.3
    rest_after_s: float = CRANK_AT_MOST_S
    max_crank_s: float = 30.0
    first_sample_s: float = 6.0
    stall_s: float = 0.8
    shutdown_s: float = 3.0
    finite_s: float = 600.0
    each_crank: bool | None = None
    journal_folder: Path | None = None
    current: Channel | None = None
    current_column: int = 0
    about: Mapping[str, Any] = field(default_factory=dict)


class Stage(Enum):
    """Where a recording stands."""

    STARTING = "starting"
    FILLING = "filling"
    ARMED = "armed"
    CRANKING = "cranking"
    ENDED = "ended"


class Happening(Enum):
    """What an event tells."""

    FILLING = "filling"
    ARMED = "armed"
    CRANKING = "cranking"
    REST = "rest"
    CAPTURED = "captured"
    LOST = "lost"
    DROPPED = "dropped"
    JOURNAL = "journal"
    RATE = "rate"
    PASSED = "passed"
    TORN = "torn"
    SILENT = "silent"
    RESUMED = "resumed"
    ENDED = "ended"


@dataclass(frozen=True)
class Event:
    """Something that happened while recording.

    Parameters
    ----------
    what
        FILLING: not enough came before yet to keep the whole pre-trigger. ARMED: waiting for a crank. CRANKING: a crank
        was recognised. REST: it has lasted too long, the starter must rest. CAPTURED: a capture is ready. LOST: samples
        are missing. DROPPED: a capture nobody took was given up. RATE: the board samples at another rate than it says.
        JOURNAL: the crank under way could not be written to disk. PASSED: a load came on that was not taken for the
        starter. TORN: a crank with so many gaps that it cannot be kept. SILENT: a source
        that goes on by itself has lost touch with its board. RESUMED: it has it back. ENDED: the stream is over.
    index
        Absolute sample index.
    seconds
        The same as time since the first sample.
    count
        LOST: how many, -1 when unknown. TORN: how many gaps. Else 0.
    rate_hz, nominal_hz
        RATE: found, and told by the board.
    text
        JOURNAL: why.
    lasted_s, mean, unit
        PASSED: how long the load was on, what it drew on average, and in which unit.
    """

    what: Happening
    index: int
    seconds: float
    count: int = 0
    rate_hz: float = 0.0
    nominal_hz: float = 0.0
    text: str = ""
    lasted_s: float = 0.0
    mean: float = 0.0
    unit: str = ""


class LossTeller:
    """Tells the first loss at once, and what follows within a second as one sum.

    Parameters
    ----------
    rate_hz
        Samples a second.
    tell
        Called with absolute index and number of samples, `UNKNOWN` where nobody knows it.
    """

    def __init__(self, rate_hz: float, tell: Callable[[int, int], None]) -> None:
        self._every, self._tell = max(1, round(TELL_EVERY_S * rate_hz)), tell
        self._known, self._unknown = 0, False
        self._next = 0

    def lost(self, index: int, count: int | None) -> None:
        """Take note of a loss before the sample at absolute `index`; None: nobody knows how many."""
        self._known += count or 0
        self._unknown = self._unknown or count is None
        self.look(index)

    def look(self, index: int) -> None:
        """Tell what is due, now that the stream has come to absolute `index`."""
        if index >= self._next and (self._known or self._unknown):
            self.finish(index)
            self._next = index + self._every

    def finish(self, index: int) -> None:
        """Tell everything that is left."""
        known, unknown = self._known, self._unknown
        self._known, self._unknown = 0, False
        if known:
            self._tell(index, known)
        if unknown:
            self._tell(index, UNKNOWN)
