"""A crank kept as files: its samples first, whole or not at all; then result, sheet and pictures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.acquire import save_capture
from crankfold.analysis import InputError
from crankfold.viewer.picture import sheet_html
from crankfold.viewer.session.judgement import PICTURE_SUFFIXES, picture_bytes
from crankfold.viewer.session.outputs import Outputs, unwritable
from crankfold.viewer.session.particulars import sheet_job, with_result
from crankfold.viewer.words import result_text, say

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
    result, page = (capture_path.with_suffix(suffix) for suffix in (".json", ".html"))
    pictures = tuple(capture_path.with_suffix(suffix) for suffix in PICTURE_SUFFIXES)
    save_capture(with_result(raw, judged.result), capture_path)
    with Outputs() as outputs:
        outputs.add(result, result_text(judged.result).encode("utf-8"))
        outputs.add(page, sheet_html(judged, sheet_job(judged.capture), file=name).encode("utf-8"))
        for path in pictures:
            outputs.add(path, picture_bytes(judged, path, name))
    return result, page, *pictures
