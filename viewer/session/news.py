"""What the window is told: by the board's side, the judge, the clock and the person at the keyboard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.acquire import Event

if TYPE_CHECKING:
    from crankfold.viewer.session.judgement import Judged


@dataclass(frozen=True)
class Readying:
    """The solver is being loaded; `live`: for a board, not a file."""

    live: bool


@dataclass(frozen=True)
class Opened:
    """The board or file of that title is open."""

    title: str


@dataclass(frozen=True)
class NoBoard:
    """No board could be opened: what happened, and what to do."""

    what: str
    remedy: str


@dataclass(frozen=True)
class Broke:
    """The stream of an open board broke: what happened, and what to do."""

    what: str
    remedy: str


@dataclass(frozen=True)
class Retrying:
    """The board is being tried again."""


@dataclass(frozen=True)
class Passing:
    """The starter has run for so long."""

    cranked_s: float


@dataclass(frozen=True)
class Caught:
    """The crank of that number was caught and handed to the judge."""

    number: int


@dataclass(frozen=True, eq=False)
class Answered:
    """The crank of that number is judged."""

    number: int
    judged: Judged


@dataclass(frozen=True)
class Unjudged:
    """The crank of that number cannot be judged as it was asked; `text` says why."""

    number: int
    text: str


@dataclass(frozen=True)
class Told:
    """Something worth a small line, such as where the crank was kept."""

    text: str


@dataclass(frozen=True)
class Dismissed:
    """The person has seen the answer."""


@dataclass(frozen=True)
class Over:
    """A finite stream has ended."""


News = (Readying | Opened | NoBoard | Broke | Retrying | Passing | Caught | Answered | Unjudged | Told | Dismissed
        | Over | Event)
