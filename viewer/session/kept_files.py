"""A crank kept as files: its samples first, whole or not at all; then result, sheet and pictures."""

from __future__ import annotations

from datetime import datetime
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.analysis import Capture
    from crankfold.viewer.session.judgement import Judged

SUFFIX = ".h5"


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

    if folder.exists() and not folder.is_dir():
        raise InputError(say("problem.is_file", path=str(folder)))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(folder, error) from error
    if not os.access(folder, os.W_OK):
        raise InputError(say("problem.not_writable", path=str(folder)))


def keep(judged: Judged, raw: Capture, folder: Path, stem: str, *, name: str = "") -> tuple[Path, ...]:
    """Write capture, result, sheet and pictures into a folder and return their paths, the capture's first.

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
        They cannot be written; the capture alone may be there then.
    """
    path = folder / f"{stem}{SUFFIX}"
    return path, *keep_results(judged, raw, path, name=name)


def save_samples(raw: Capture, folder: Path, number: int) -> Path:
    """Write a caught crank, whole or not at all, and return its file.

    Raises
    ------
    SaveError
        It cannot be written.
    """
    from crankfold.acquire import save_capture

    path = folder / f"{stem_of(raw.started_utc, number, folder)}{SUFFIX}"
    save_capture(raw, path)
    return path


def keep_results(judged: Judged, raw: Capture, capture_path: Path, *, name: str = "") -> tuple[Path, ...]:
    """Write a capture with its result, then result, sheet and pictures beside it; return the paths of the latter.

    Parameters
    ----------
    judged, raw, name
        As for `keep`.
    capture_path
        Of the capture, which may be there already, without its result.

    Raises
    ------
    InputError, SaveError
        They cannot be written; the capture is whole all the same, as it was or with its result.
    """
    from crankfold.acquire import save_capture
    from crankfold.viewer.picture import sheet_html
    from crankfold.viewer.session.judgement import PICTURE_SUFFIXES, picture_bytes
    from crankfold.viewer.session.outputs import Outputs
    from crankfold.viewer.session.particulars import sheet_job, with_result
    from crankfold.viewer.words import result_text

    result, page = (capture_path.with_suffix(suffix) for suffix in (".json", ".html"))
    pictures = tuple(capture_path.with_suffix(suffix) for suffix in PICTURE_SUFFIXES)
    save_capture(with_result(raw, judged.result), capture_path)
    with Outputs() as outputs:
        outputs.add(result, result_text(judged.result).encode("utf-8"))
        outputs.add(page, sheet_html(judged, sheet_job(judged.capture, name)).encode("utf-8"))
        for path in pictures:
            outputs.add(path, picture_bytes(judged, path, name))
    return result, page, *pictures


def save_left(journal: Path) -> tuple[Path, Capture]:
    """Make a whole capture file of a journal that an earlier run left, and return it with its samples.

    Raises
    ------
    AcquireError
        The journal cannot be read, or the file not written; the journal is left then.
    """
    from crankfold.acquire import recover, save_capture

    recovered = recover(journal)
    path = journal.with_suffix(SUFFIX)
    save_capture(recovered.capture, path)
    journal.unlink(missing_ok=True)
    return path, recovered.capture


def stem_of(started: datetime | None, number: int, folder: Path) -> str:
    """Return a file name that is free in the folder: when the capture was taken, in local time, and its number.

    Clocks are set back, in autumn everywhere; an earlier capture is never written over.
    """
    moment = (started or datetime.now().astimezone()).astimezone()
    stem = f"crank-{moment:%Y%m%d-%H%M%S}-{number}"
    names = chain([stem], (f"{stem}-{again}" for again in count(2)))
    return next(name for name in names if not any(folder.glob(f"{name}.*")))
