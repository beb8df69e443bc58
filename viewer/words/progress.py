"""A moving line on standard error for work that takes longer than a second; nothing where nobody watches."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from crankfold.viewer.words.catalogue import say
from crankfold.viewer.words.terminal import tame

INDEX = "physics*.nbi"  # numba's index of one compiled function
PATIENCE_S = 1.0  # shorter work needs no word
LONG_S = 2.0  # of one file; most are read in a fraction of it
LOOK_S = 0.1  # as often is looked whether something else is to be shown


class Line:
    """What the moving line says.

    Parameters
    ----------
    text
        The usual words.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._slow: tuple[float, str] | None = None

    def reading(self, path: Path) -> AbstractContextManager[None]:
        """Return what says, while its block runs for long, that this file is still being read and how to stop it."""
        return self._patient(say("progress.still_reading", name=path.name))

    def opening(self, board: str) -> AbstractContextManager[None]:
        """Return the same for a board, or a file in a board's place, that is being opened."""
        return self._patient(say("progress.still_opening", board=board))

    @contextmanager
    def _patient(self, words: str) -> Iterator[None]:
        self._slow = time.monotonic() + LONG_S, words
        try:
            yield
        finally:
            self._slow = None

    @property
    def words(self) -> str:
        """What it says now."""
        slow = self._slow
        return tame(self._text if slow is None or time.monotonic() < slow[0] else slow[1])


@contextmanager
def working(text: str) -> Iterator[Line]:
    """Show `text` with a moving sign while the block runs, from the first second on."""
    line = Line(text)
    if not sys.stderr.isatty():
        yield line
        return
    done = threading.Event()
    shower = threading.Thread(target=_show, args=(line, done), daemon=True)
    shower.start()
    try:
        yield line
    finally:
        done.set()
        shower.join()


def _show(line: Line, done: threading.Event) -> None:
    if done.wait(PATIENCE_S):
        return
    from rich.console import Console
    from rich.text import Text

    shown = line.words
    with Console(stderr=True).status(Text(shown), spinner="line") as status:
        while not done.wait(LOOK_S):
            if line.words != shown:
                shown = line.words
                status.update(Text(shown))


def judging_text() -> str:
    """Return what to say while a capture is judged."""
    return say("progress.judging")


def solver_ready() -> bool:
    """Return whether the compiled virtual engine lies in one of the places where numba keeps such things."""
    home = Path(__file__).parents[2] / "plugins" / "virtual"
    named = os.environ.get("NUMBA_CACHE_DIR")
    if named:
        return _holds_index(Path(named), deep=True)
    if _holds_index(home / "__pycache__", deep=False):
        return True
    import platformdirs

    return _holds_index(Path(platformdirs.user_cache_dir("numba", appauthor=False)), deep=True)


def _holds_index(folder: Path, *, deep: bool) -> bool:
    found = folder.rglob(INDEX) if deep else folder.glob(INDEX)
    return any(path.stat().st_size for path in found)  # an empty one is what a crash may leave
