"""How one turn with a source ended, from opening it on."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

from crankfold.acquire import BoardDisconnectedError, BoardGarbledError, BoardStalledError

if TYPE_CHECKING:
    from crankfold.acquire import Source

LOST = (BoardDisconnectedError, BoardStalledError, BoardGarbledError)
"""Errors after which a board may come back."""


class Outcome(Enum):
    """How it ended."""

    ABSENT = "absent"
    LOST = "lost"
    BROKEN = "broken"
    OVER = "over"

    @classmethod
    def of(cls, error: BaseException, source: Source) -> Outcome:
        """Return whether a source that broke may come back."""
        return cls.LOST if isinstance(error, LOST) and not source.info.finite else cls.BROKEN
