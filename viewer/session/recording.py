"""From a file's path to the capture that is judged: through its reader, the ring and the trigger, like a board."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.analysis import Capture, Notice

HDF5_SUFFIXES = (".h5", ".hdf5")
SEVERAL = "several-captures"
"""Code of the caution that a recording held several captures, of which the longest is taken."""


def read_capture(path: Path, settings: Mapping[str, str],
                 plugins: Plugins) -> tuple[Capture, tuple[Notice, ...]]:
    """Return the capture in a file, the longest one if there are several, and notices about it.

    Raises
    ------
    AcquireError
        The file cannot be read.
    """
    if path.suffix.lower() in HDF5_SUFFIXES:
        from crankfold.acquire import make_ready

        make_ready()  # what follows takes as long as the start of a process
    from crankfold.acquire import open_file, record

    return longest(record(open_file(path, settings, plugins)), str(path))


def longest(captures: Iterable[Capture], name: str) -> tuple[Capture, tuple[Notice, ...]]:
    """Return the longest of some captures, and notices: those of its source, and that there were others.

    Raises
    ------
    InputError
        There are none.
    """
    from crankfold.analysis import InputError, Notice

    best, count = None, 0
    for capture in captures:
        count += 1
        if best is None or capture.duration_s > best.duration_s:
            best = capture
    if best is None:
        raise InputError(say("problem.nothing_captured", path=name))
    notices = best.notices
    if count > 1:
        notices = (*notices, Notice(SEVERAL, {"count": count, "length_s": best.duration_s}))
    return best, notices
