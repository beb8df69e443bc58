"""Captures into the formats that laboratories open anywhere; each format is a module of its own.

===========  ====================================================  ==================================================
ending       what is kept                                          what is not
===========  ====================================================  ==================================================
``.h5``      everything; see `crankfold.acquire.files.storage`           nothing
``.csv``     time and values with names and units; lost samples    start, notes, trigger, the converter's codes
             as missing rows
``.parquet`` the same and start, notes, trigger, rate, codes'      nothing
             scale, as metadata
``.mf4``     the converter's codes with scale and unit, start,     trigger
             notes; lost samples as missing time stamps
``.wav``     the converter's codes; values where there are none;   start, notes, trigger; gaps are refused; scales
             units and scales stand in a comment                   stand in the comment alone; rates in whole hertz
===========  ====================================================  ==================================================

All are written whole or not at all. Heavy libraries are imported when a file of theirs is written.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.acquire.atomic import write_whole
from crankfold.acquire.errors import SaveError

if TYPE_CHECKING:
    from crankfold.analysis import Capture

WRITERS = {".h5": "hdf5_file", ".csv": "csv_table", ".parquet": "parquet_table", ".mf4": "mdf_measurement",
           ".wav": "wav_sound"}
"""The module that writes each ending; its ``image(capture)`` returns the bytes of the file and what was lost."""


def write_capture(capture: Capture, path: Path | str) -> tuple[str, ...]:
    """Write a capture in the format of the path's ending; return what that format could not keep, as sentences.

    Raises
    ------
    SaveError
        No such format, its library is missing, it cannot hold this capture, or the file cannot be written.
    """
    path = Path(path)
    check_ending(path)
    name = WRITERS[path.suffix.lower()]
    try:
        content, lost = import_module(f"crankfold.acquire.writers.{name}").image(capture)
    except ModuleNotFoundError as error:
        raise SaveError(f"{path} needs the package {error.name}", "install crankfold[formats]") from error
    write_whole(path, content)
    return tuple(lost)


def check_ending(path: Path) -> None:
    """Complain about a name whose ending no writer knows.

    Raises
    ------
    SaveError
        It is none of `WRITERS`.
    """
    if path.suffix.lower() not in WRITERS:
        raise SaveError(f"{path} has an ending that can't be written", f"use one of {', '.join(WRITERS)}")
