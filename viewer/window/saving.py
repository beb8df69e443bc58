"""What can be saved of a result, and how: sheet, picture, capture, sound; no file is ever replaced. No Qt here."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.analysis import InputError
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.acquire import Job
    from crankfold.analysis import Capture
    from crankfold.viewer.jobs import Query
    from crankfold.viewer.session import Judged

ENDINGS = {"sheet": ".html", "sheet_a4": ".pdf", "sheet_letter": ".pdf", "picture": ".png", "drawing": ".svg",
           "capture": ".h5", "sound": ".wav"}
"""What can be saved, and the ending of its file."""
TABLE = "job-book"
MOST_ALIKE = 10_000  # files of one name before it is given up
UNUSUAL = re.compile(r"[^\w.-]+")


def stem_of(judged: Judged, job: Job) -> str:
    """Return a file's name without its ending: plate or engine, and when it was captured."""
    from datetime import UTC, datetime

    when = (judged.capture.started_utc or datetime.now(UTC)).astimezone()
    name = UNUSUAL.sub("-", job.plate or judged.result.engine.name or "crankfold").strip("-.") or "crankfold"
    return f"{name[:60]}-{when:%Y-%m-%d-%H%M}"


def usual_folder() -> Path:
    """Return where files go unless somebody says otherwise."""
    from platformdirs import user_documents_path

    return user_documents_path() / "crankfold"


def save_part(part: str, judged: Judged, raw: Capture | None, job: Job, folder: Path) -> Path:
    """Write one part of a result into a folder under a name that is free, and return its path.

    Parameters
    ----------
    part
        One of `ENDINGS`.
    judged, raw
        The result, and the samples as they came, None where only those in amperes are known.
    job
        Goes onto the sheet.

    Raises
    ------
    InputError, SaveError
        It cannot be written, or there is nothing to be written.
    """
    from crankfold.viewer.session import Outputs, make_folder

    make_folder(folder)
    path = free_path(folder, stem_of(judged, job), ENDINGS[part])
    if part == "capture":
        _save_capture(judged, raw, job, path)
        return path
    content = _content(part, judged, job, path)
    with Outputs() as outputs:
        outputs.add(path, content)
    return path


def save_table(folder: Path, query: Query) -> Path:
    """Write what the job book of a folder finds as a table into that folder, and return its path.

    Raises
    ------
    InputError, SaveError
        It cannot be written.
    """
    from crankfold.viewer.jobs import JobBook, book_bytes
    from crankfold.viewer.session import Outputs

    with JobBook(folder) as book:
        content = book_bytes(book.find(query))
    path = free_path(folder, TABLE, ".csv")
    with Outputs() as outputs:
        outputs.add(path, content)
    return path


def free_path(folder: Path, stem: str, ending: str) -> Path:
    """Return a path where there is no file yet.

    Raises
    ------
    InputError
        There are thousands of that name.
    """
    for number in range(1, MOST_ALIKE):
        path = folder / (f"{stem}{ending}" if number == 1 else f"{stem}-{number}{ending}")
        if not os.path.lexists(path):
            return path
    raise InputError(say("problem.cannot_write", path=str(folder / stem), reason="full"))


def _save_capture(judged: Judged, raw: Capture | None, job: Job, path: Path) -> None:
    """Write the samples as they came; where only those in amperes are known, without the probe that made them."""
    from dataclasses import replace

    from crankfold.acquire import save_capture
    from crankfold.viewer.session import about_of, with_result

    capture, question = (judged.capture, replace(judged.question, probe=None, rig=None)) if raw is None else (
        raw, judged.question)
    known = {name: value for name, value in capture.about.items() if name not in ("probe", "rig", "rig_name")}
    whole = replace(capture, about={**known, **about_of(question, job).data()})
    save_capture(with_result(whole, judged.result), path)


def _content(part: str, judged: Judged, job: Job, path: Path) -> bytes:
    from crankfold.viewer.session import picture_bytes

    if part in ("picture", "drawing"):
        return picture_bytes(judged, path, path.stem)
    return _sound(judged) if part == "sound" else _sheet(part, judged, job, path.stem)


def _sound(judged: Judged) -> bytes:
    from crankfold.viewer.sound import sound_of, wav_of

    if judged.result.trace is None:
        raise InputError(say("problem.nothing_to_hear", path=judged.result.engine.name))
    return wav_of([sound_of(judged.result.trace)])


def _sheet(part: str, judged: Judged, job: Job, name: str) -> bytes:
    from crankfold.viewer.picture import pdf_of, sheet_html
    from crankfold.viewer.session import sheet_job

    told = sheet_job(judged.capture, job)
    if part == "sheet":
        return sheet_html(judged, told, file=name).encode("utf-8")
    return pdf_of(sheet_html(judged, told, part.removeprefix("sheet_"), name))
