"""What a worker of a batch does: one capture after the other into rows of the table, whatever the captures hold."""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import os
import signal
import sys
import threading
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from crankfold.acquire import load_plugins
from crankfold.analysis import CrankfoldError, InputError, __version__, result_row
from crankfold.viewer.session import judge_as_told, read_capture
from crankfold.viewer.words import answer, decimal_points, say, speak, worded

if TYPE_CHECKING:
    from collections.abc import Sequence
    from multiprocessing.process import BaseProcess
    from multiprocessing.synchronize import Event

    from crankfold.acquire import Plugins
    from crankfold.analysis import Capture, Cell, Result
    from crankfold.viewer.batch.plan import Job

Row = dict[str, Any]
"""A row of the table by the name of its columns; its cells are texts, numbers and None."""

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
"""Variables that keep libraries from starting threads of their own: the workers are all the threads there should be."""

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3  # of mallopt(3)
KEEP_BYTES = 1 << 30
"""Freed memory up to this size stays with the process. By default the C library hands every large array back to the
system and gets it again page by page, which costs more time than the arithmetic on it."""

_stopping: list[Event] = []


class Answer(NamedTuple):
    """A row, and whether it is final; otherwise it says why the capture could not be judged for now."""

    row: Row
    final: bool = True


def begin(stop: Event, language: str | None) -> None:
    """Make a new process a worker: it says things as its parent, leaves Ctrl-C to it and does not outlive it."""
    import multiprocessing

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _stopping[:] = [stop]
    speak(language)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def own_version() -> str:
    """Return the version of the package where this runs."""
    return __version__


def judge_chunk(jobs: Sequence[Job], language: str | None = None) -> list[Answer]:
    """Return the answers of some captures, of fewer when the batch is stopped meanwhile.

    Parameters
    ----------
    jobs
        What is to be judged.
    language
        That was asked for by name: a cluster's workers have not heard it.
    """
    keep_memory()
    if language is not None:
        speak(language)
    answers = []
    for job in jobs:
        if _stopping and _stopping[0].is_set():
            break
        answers.append(judge_job(job))
    return answers


def judge_job(job: Job) -> Answer:
    """Return the row of a capture; one that cannot be read or judged has its ``problem`` there."""
    from crankfold.viewer.batch.far import fetched, is_far
    row: Row = {"file": job.shown, "version": own_version()}
    final = True
    with decimal_points():
        try:
            with fetched(job.path) if is_far(job.path) else contextlib.nullcontext(Path(job.path)) as path:
                row["sha256"] = digest(path)
                row |= _judged(job, path)
        except CrankfoldError as error:
            row["problem"] = worded(error).replace(str(path), job.shown)
        except OSError as error:  # a disk, a network: it may pass
            row["problem"] = say("batch.cannot_read", path=job.shown, reason=error.strerror or str(error))
            final = False
        except MemoryError:
            row["problem"], final = say("batch.no_memory", path=job.shown), False
        except Exception as error:  # a fault of ours costs one row, not the night's run
            row["problem"] = say("batch.own_fault", path=job.shown, kind=type(error).__name__, text=str(error))
    return Answer(row, final)


def lost_row(job: Job) -> Answer:
    """Return the row of a capture that brought its worker down; the next run tries again."""
    return Answer({"file": job.shown, "version": own_version(),
                   "problem": say("batch.worker_died", path=job.shown)}, final=False)


def failed_row(job: Job, error: BaseException) -> Answer:
    """Return the row of a capture that no worker could be asked about; the next run tries again."""
    return Answer({"file": job.shown, "version": own_version(),
                   "problem": say("batch.own_fault", path=job.shown, kind=type(error).__name__, text=str(error))},
                  final=False)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _judged(job: Job, path: Path) -> dict[str, Cell]:
    if job.options is None:
        raise InputError(job.problem or "")
    capture, warnings = read_capture(path, dict(job.settings), _plugins(job.only_own))
    return {**of_capture(capture), **of_result(judge_as_told(capture, job.options, warnings).result)}


def of_capture(capture: Capture) -> dict[str, Cell]:
    """Return what the table says of the recording itself."""
    return {
        "seconds": round(capture.duration_s, 6),
        "channels": ", ".join(f"{channel.name} {channel.unit}".strip() for channel in capture.channels),
        "started_utc": None if capture.started_utc is None else capture.started_utc.isoformat(),
        "missing_samples": sum(gap.length for gap in capture.gaps),
    }


def of_result(result: Result) -> dict[str, Cell]:
    """Return everything that the result says, codes and sentences."""
    told = answer(result)
    said = {"headline": told.headline, "reasons_said": " ".join(told.reasons) or None,
            "cautions_said": " ".join(told.cautions) or None, "notes_said": " ".join(told.notes) or None}
    return {**result_row(result), **said}


@cache
def _plugins(only_own: bool) -> Plugins:
    return load_plugins(enabled=not only_own)


@cache
def keep_memory() -> None:
    """Let the C library keep what is freed; where it is another than GNU's, nothing changes."""
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):
            own = ctypes.CDLL(None)
            own.mallopt(M_MMAP_THRESHOLD, KEEP_BYTES)
            own.mallopt(M_TRIM_THRESHOLD, KEEP_BYTES)
