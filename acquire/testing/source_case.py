"""A source to try rules on: how to open and to break it, and reading with the blame put where it belongs."""

from __future__ import annotations

import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from crankfold.acquire.errors import AcquireError
from crankfold.acquire.testing.outcome import NotTriedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from crankfold.acquire.contract import Block, Source, SourceInfo

T = TypeVar("T")

CANNOT_OPEN = "it could not be opened"

LONGEST_PAUSE_S = 4.0
"""Queues of drivers hold a second or a few; one that holds more than this has room for any program that is busy."""

READ_S = 0.05
"""Time-out of an ordinary read: short, so that a stretch ends when it should."""


@dataclass(frozen=True)
class SourceCase:
    """What the rules are tried on.

    Parameters
    ----------
    open
        Gives the open source, not started; called many times, once the one before is closed.
    stretch_s
        How long to listen for one rule.
    break_it
        Breaks a running source, as pulling the cable would; without it the rules on breaking are not tried.
    pause_s
        The longest pause of a reader that is slow; pausing ends sooner once a loss is told.
    lose
        Makes a running source lose samples; returns how many, or None when nobody can know. May be left out.
    """

    open: Callable[[], Source]
    stretch_s: float = 1.0
    break_it: Callable[[Source], None] | None = None
    lose: Callable[[Source], int | None] | None = None
    pause_s: float = LONGEST_PAUSE_S

    @contextmanager
    def opened(self) -> Iterator[Source]:
        """Give the open source; it is closed afterwards."""
        try:
            source = self.open()
        except AcquireError as error:
            raise NotTriedError(f"{CANNOT_OPEN}: {error}") from error
        try:
            yield source
        finally:
            _close(source)

    @contextmanager
    def running(self) -> Iterator[Stretch]:
        """Give the started source, for reading stretches of it."""
        with self.opened() as source:
            _blame(source.start)
            yield Stretch(source)


class Stretch:
    """Reads a running source; what goes wrong here is the business of other rules than the one that reads."""

    def __init__(self, source: Source) -> None:
        self.source = source

    def read(self, timeout_s: float = READ_S) -> Block | None:
        """Return what `read` returns."""
        return _blame(lambda: self.source.read(timeout_s))

    def blocks(self, seconds: float) -> Iterator[Block]:
        """Yield blocks for so long, or until the source has ended."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s and not self.source.finished:
            block = self.read()
            if block is not None:
                yield block

    def first_block(self, within_s: float = 5.0) -> Block:
        """Return the first block that holds samples."""
        for block in self.blocks(within_s):
            if len(block.codes):
                return block
        raise NotTriedError("no samples came; see the rule samples-come")


def is_promise_broken(error: BaseException) -> bool:
    """Return whether the base class refused what a driver gave, because it is not what the driver had promised."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return isinstance(error, TypeError) and trace is not None and trace.tb_frame.f_code.co_name == "_number"


def said_rate_hz(info: SourceInfo) -> float:
    """Return the rate that info says, for the rules that need a sound one."""
    if not (np.isfinite(info.rate_hz) and info.rate_hz > 0):
        raise NotTriedError("see the rule info-complete")
    return info.rate_hz


def _blame(call: Callable[[], T]) -> T:
    try:
        return call()
    except AcquireError as error:
        raise NotTriedError(f"the stream broke: {error}") from error
    except Exception as error:
        name = "codes-as-promised" if is_promise_broken(error) else "only-known-errors"
        raise NotTriedError(f"see the rule {name}: {error}") from error


def _close(source: Source) -> None:
    try:
        source.close()
    except Exception as error:
        raise NotTriedError(f"see the rule stop-and-close-any-time: {error}") from error
