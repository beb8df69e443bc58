"""A call that may hang, made in a thread of its own so that the caller never does."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class _Outcome(Generic[T]):
    """What a call gave, handed from its thread to the caller, or to nobody when the caller has left."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.done = threading.Event()
        self.abandoned = False
        self.values: list[T] = []
        self.error: BaseException | None = None


def call_within(call: Callable[[], T], deadline_s: float, *, name: str,
                too_late: Callable[[T], None] | None = None) -> T:
    """Return what `call` returns.

    Parameters
    ----------
    call
        Runs in a daemon thread, so that it cannot keep the program from ending either.
    deadline_s
        Seconds to wait for it.
    name
        Of the thread, for whoever debugs it.
    too_late
        Is given the value of a call that returns after all, so that it can let go of what it holds.

    Raises
    ------
    TimeoutError
        The call has not returned in time; it is left to itself.
    BaseException
        Whatever the call raised.
    """
    outcome: _Outcome[T] = _Outcome()
    threading.Thread(target=_run, args=(call, outcome, too_late), name=name, daemon=True).start()
    if not outcome.done.wait(deadline_s):
        with outcome.lock:
            outcome.abandoned = not outcome.done.is_set()
        if outcome.abandoned:
            raise TimeoutError(f"{name} did not answer within {deadline_s:g} s")
    if outcome.error is not None:
        raise outcome.error
    return outcome.values[0]


def _run(call: Callable[[], T], outcome: _Outcome[T], too_late: Callable[[T], None] | None) -> None:
    try:
        value = call()
    except BaseException as error:  # handed to the caller, who raises it
        outcome.error = error
        outcome.done.set()
        return
    with outcome.lock:
        if not outcome.abandoned:
            outcome.values.append(value)
            outcome.done.set()
            return
    if too_late is not None:
        too_late(value)
