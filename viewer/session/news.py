"""What a session tells, of the board's side, the analysis, the clock and the person at the keyboard.

In the order of a good run: `Readying`, `Found`, `Opened`, then events of the recorder (`Event`: filling, armed,
cranking, rest, lost samples), `Caught`, `Saved`, `Answered`, `Kept`, and in the end `Over` and `Ended`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.acquire import Event

if TYPE_CHECKING:
    from crankfold.analysis import Capture
    from crankfold.viewer.session.judgement import Judged


@dataclass(frozen=True)
class Readying:
    """The session has begun; `live`: for a board, not a file."""

    live: bool


@dataclass(frozen=True)
class Found:
    """The board or file of that title is open, and what the analysis needs is made ready; `live`: it streams."""

    title: str
    live: bool


@dataclass(frozen=True)
class Opened:
    """The board or file of that title is open, and samples come."""

    title: str


@dataclass(frozen=True)
class NoBoard:
    """No board could be opened: what happened, what to do, and the error itself."""

    what: str
    remedy: str
    error: BaseException | None = None


@dataclass(frozen=True)
class Broke:
    """The stream of an open board broke, or the session did: what happened, what to do, and the error itself.

    `waiting` says whether the board is tried again by itself.
    """

    what: str
    remedy: str
    error: BaseException | None = None
    waiting: bool = True


@dataclass(frozen=True)
class Retrying:
    """The board is being tried again."""


@dataclass(frozen=True)
class Resting:
    """The board was let go because somebody asked for it; `Session.arm` takes it up again."""


@dataclass(frozen=True)
class Passing:
    """The starter has run for so long."""

    cranked_s: float


@dataclass(frozen=True, eq=False)
class Caught:
    """The crank of that number was caught; its capture is as it came, before the probe's scale."""

    number: int
    capture: Capture | None = None


@dataclass(frozen=True)
class Saved:
    """The samples of the crank of that number are whole in that file; its analysis follows."""

    number: int
    path: Path


@dataclass(frozen=True, eq=False)
class Answered:
    """The crank of that number is analysed."""

    number: int
    judged: Judged


@dataclass(frozen=True)
class Unjudged:
    """The crank of that number cannot be analysed as it was asked; `text` says why."""

    number: int
    text: str
    error: BaseException | None = None


@dataclass(frozen=True)
class Kept:
    """The crank of that number is kept in these files, the samples first."""

    number: int
    paths: tuple[Path, ...]


@dataclass(frozen=True)
class Unkept:
    """Files of the crank of that number could not be written: what happened, and what to do."""

    number: int
    what: str
    remedy: str


@dataclass(frozen=True, eq=False)
class Rescued:
    """A capture that was cut off earlier, whole in that file now; `judged` is None where it could not be analysed.

    `problem` says why it could not be analysed, or, with no path, why it could not be saved.
    """

    path: Path | None
    judged: Judged | None = None
    problem: str = ""


@dataclass(frozen=True)
class LeftElsewhere:
    """A capture in the folder belongs to a program on another machine, which may still run: it is left alone."""

    path: Path
    machine: str


@dataclass(frozen=True)
class Told:
    """Something worth a small line."""

    text: str


@dataclass(frozen=True)
class Dismissed:
    """The person has seen the answer."""


@dataclass(frozen=True)
class Over:
    """A finite stream has ended."""


@dataclass(frozen=True)
class Ended:
    """The session has ended: everything that was caught has been told, and nothing more will come."""


News = (Readying | Found | Opened | NoBoard | Broke | Retrying | Resting | Passing | Caught | Saved | Answered
        | Unjudged | Kept | Unkept | Rescued | LeftElsewhere | Told | Dismissed | Over | Ended | Event)
