"""Work that takes a moment, done on a thread of its own, so that the window goes on being drawn."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

if TYPE_CHECKING:
    from collections.abc import Callable


class Errand(QObject):
    """One piece of work; `done` or `failed` comes in the window's own thread."""

    done = Signal(object)
    failed = Signal(object)
    _ended = Signal(object, object)

    def __init__(self, parent: QObject, work: Callable[[], Any]) -> None:
        super().__init__(parent)
        self._work = work
        self._ended.connect(self._tell)
        self._thread = threading.Thread(target=self._run, name="errand", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def _run(self) -> None:
        try:
            found = self._work()
        except Exception as error:
            self._say(None, error)
        else:
            self._say(found, None)

    def _say(self, found: object, error: Exception | None) -> None:
        try:
            self._ended.emit(found, error)
        except RuntimeError:  # the window was closed meanwhile
            return

    def _tell(self, found: object, error: Exception | None) -> None:
        if error is None:
            self.done.emit(found)
        else:
            self.failed.emit(error)
        self.deleteLater()
