"""A judged capture kept as files: samples, result, sheet and pictures, all of them or none."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.analysis import Capture
    from crankfold.viewer.session.judgement import Judged


def make_folder(folder: Path) -> None:
    """Make a folder to keep files in, and check that it can be written.

    Raises
    ------
    InputError
        It cannot.
    """
    import os

    from crankfold.analysis import InputError
    from crankfold.viewer.session.outputs import unwritable

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(folder, error) from error
    if not os.access(folder, os.W_OK):
        raise InputError(say("problem.not_writable", path=str(folder)))


def keep(judged: Judged, raw: Capture, folder: Path, stem: str, *, name: str = "") -> tuple[Path, ...]:
    """Write capture, result, sheet and pictures into a folder and return their paths.

    Parameters
    ----------
    judged
        What is shown.
    raw
        The samples as they came, before the probe's scale.
    folder, stem
        Where, and the file names without their endings.
    name
        What the picture says at its foot.

    Raises
    ------
    InputError, SaveError
        They cannot be written; then none of them is there.
    """
    from crankfold.acquire import save_capture
    from crankfold.viewer.picture import Job, sheet_html
    from crankfold.viewer.session.judgement import PICTURE_SUFFIXES, picture_bytes
    from crankfold.viewer.session.outputs import Outputs
    from crankfold.viewer.words import result_text

    samples, result, page = (folder / f"{stem}{suffix}" for suffix in (".h5", ".json", ".html"))
    pictures = tuple(folder / f"{stem}{suffix}" for suffix in PICTURE_SUFFIXES)
    with Outputs() as outputs:
        outputs.add(result, result_text(judged.result).encode("utf-8"))
        outputs.add(page, sheet_html(judged, Job(when=raw.started_utc, file=name)).encode("utf-8"))
        for path in pictures:
            outputs.add(path, picture_bytes(judged, path, name))
        save_capture(raw, samples)
    return samples, result, page, *pictures


@contextmanager
def journals_cared_for(folder: Path, tell: Callable[[str], None]) -> Iterator[None]:
    """Save what an earlier run left unfinished in a folder, and leave nothing unfinished when this one is stopped.

    Only a program that is killed leaves a journal; Ctrl-C takes it away.
    """
    from crankfold.acquire import journals

    for left in journals(folder):
        _save_left(left, tell)
    before = set(journals(folder))
    try:
        yield
    except KeyboardInterrupt:
        for path in set(journals(folder)) - before:
            path.unlink(missing_ok=True)
        raise


def _save_left(journal: Path, tell: Callable[[str], None]) -> None:
    from crankfold.acquire import AcquireError, recover, save_capture

    try:
        recovered = recover(journal)
        path = journal.with_suffix(".h5")
        save_capture(recovered.capture, path)
    except AcquireError as error:
        tell(str(error))
        return
    journal.unlink(missing_ok=True)
    tell(say("done.recovered", path=str(path)))


def stem_of(started: datetime | None, number: int, folder: Path) -> str:
    """Return a file name that is free in the folder: when the capture was taken, in local time, and its number.

    Clocks are set back, in autumn everywhere; an earlier capture is never written over.
    """
    moment = (started or datetime.now().astimezone()).astimezone()
    stem = f"crank-{moment:%Y%m%d-%H%M%S}-{number}"
    names = chain([stem], (f"{stem}-{again}" for again in count(2)))
    return next(name for name in names if not any(folder.glob(f"{name}.*")))
