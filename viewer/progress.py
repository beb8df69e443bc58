"""A moving line on standard error for work that takes longer than a second; nothing where nobody watches."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from crankfold.viewer.wording import say

INDEX = "simulation*.nbi"  # numba's index of one compiled function
PATIENCE_S = 1.0  # shorter work needs no word


@contextmanager
def working(text: str) -> Iterator[None]:
    """Show `text` with a moving sign while the block runs, from the first second on."""
    if not sys.stderr.isatty():
        yield
        return
    done = threading.Event()
    shower = threading.Thread(target=_show, args=(text, done), daemon=True)
    shower.start()
    try:
        yield
    finally:
        done.set()
        shower.join()


def _show(text: str, done: threading.Event) -> None:
    if done.wait(PATIENCE_S):
        return
    from rich.console import Console

    with Console(stderr=True).status(text, spinner="line"):
        done.wait()


def judging_text() -> str:
    """Return what to say while a capture is judged: the first run ever compiles the solver and takes long."""
    return say("progress.judging" if solver_ready() else "progress.first_run")


def solver_ready() -> bool:
    """Return whether the compiled solver lies in one of the places where numba keeps such things."""
    import crankfold.analysis

    home = Path(crankfold.analysis.__file__).parent / "model"
    named = os.environ.get("NUMBA_CACHE_DIR")
    if named:
        return _holds_index(Path(named), deep=True)
    if _holds_index(home / "__pycache__", deep=False):
        return True
    import platformdirs

    return _holds_index(Path(platformdirs.user_cache_dir("numba", appauthor=False)), deep=True)


def _holds_index(folder: Path, *, deep: bool) -> bool:
    found = folder.rglob(INDEX) if deep else folder.glob(INDEX)
    return next(iter(found), None) is not None
