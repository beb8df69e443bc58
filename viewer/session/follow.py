"""A board followed for as long as somebody cranks: taken up again when it was unplugged, ended cleanly by Ctrl-C."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.acquire import (
    AcquireError,
    BoardDisconnectedError,
    BoardGarbledError,
    BoardNotFoundError,
    BoardStalledError,
    Recorder,
    SettingError,
)
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable, Generator

    from crankfold.acquire import Event, RecordingPlan, Source, SourceInfo
    from crankfold.analysis import Capture

LOST = (BoardDisconnectedError, BoardStalledError, BoardGarbledError)
TRY_EVERY_S = 1.0  # systems need about a second to know a board that was plugged in again


@dataclass
class Following:
    """One board, from opening to the end.

    Parameters
    ----------
    reopen
        Opens it; raises an `AcquireError` while it is not there.
    plan
        How to record, from what the open board says of itself.
    on_event, tell, on_loss
        Called with each event, with each sentence for people, and when the board is lost.
    patient
        Whether a lost board is waited for; one that ends by itself never is.
    enough
        Says whether nothing more is wanted, so that losing the board does not matter.
    """

    reopen: Callable[[], Source]
    plan: Callable[[SourceInfo], RecordingPlan]
    on_event: Callable[[Event], None]
    tell: Callable[[str], None]
    on_loss: Callable[[], None]
    patient: bool
    enough: Callable[[], bool]
    interrupted: bool = False
    _recorder: Recorder | None = None
    _said_lost: bool = False

    def captures(self, source: Source) -> Generator[Capture, None, None]:
        """Yield a capture for each crank, from an open source on; after Ctrl-C the crank under way is the last.

        Raises
        ------
        AcquireError
            The board is lost and not waited for.
        """
        while True:
            try:
                yield from self._until_lost(source)
                return
            except LOST as error:
                if self.interrupted or self.enough():
                    return
                if not self._waits_for(source):
                    raise
                self._say_lost(error)
            again = self._waited()
            if again is None:
                return
            source, self._said_lost = again, False
            self.tell(say("event.back"))

    def interrupt(self) -> None:
        """End as Ctrl-C does, for whoever was interrupted outside; a second time raises.

        Raises
        ------
        KeyboardInterrupt
            It was interrupted before.
        """
        if self.interrupted:
            raise KeyboardInterrupt
        self.interrupted = True
        self.stop()

    def stop(self) -> None:
        """End the recording; a crank under way is still handed on."""
        if self._recorder is not None:
            self._recorder.stop()

    def _until_lost(self, source: Source) -> Generator[Capture, None, None]:
        try:
            plan = self.plan(source.info)
        except BaseException:
            source.close()
            raise
        with Recorder(source, plan, on_event=self.on_event) as recorder:
            self._recorder = recorder
            while True:
                try:
                    for capture in recorder:
                        if isinstance(recorder.broken_by, LOST) and self._waits_for(source):
                            self._say_lost(recorder.broken_by)  # before the torn crank is judged, which takes a while
                        try:
                            yield capture
                        except KeyboardInterrupt:  # it comes as the caller comes back for the next one
                            recorder.settle()
                            raise
                    return
                except KeyboardInterrupt:
                    self.interrupt()

    def _waits_for(self, source: Source) -> bool:
        return self.patient and not source.info.finite

    def _say_lost(self, error: AcquireError) -> None:
        if not self._said_lost and not self.interrupted and not self.enough():
            self._said_lost = True
            self.on_loss()
            self.tell(say("event.waiting", problem=str(error)))

    def _waited(self) -> Source | None:
        """Return the board once it is there again, None when Ctrl-C ends the waiting."""
        said: type[AcquireError] = BoardNotFoundError
        try:
            while True:
                time.sleep(TRY_EVERY_S)
                try:
                    return self.reopen()
                except SettingError:
                    raise
                except AcquireError as error:
                    if type(error) is not said and not isinstance(error, LOST):
                        self.tell(str(error))
                    said = type(error)
        except KeyboardInterrupt:
            self.interrupted = True
            return None
