"""From the options of the command, or from what was set up, to the source to watch and its checklist."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.analysis import InputError
from crankfold.viewer.session import (
    NOTHING_GIVEN,
    SessionPlan,
    check_options,
    prepare_solver,
    question_for,
    question_of,
    read_capture,
    rig_of,
    told_about,
)
from crankfold.viewer.window.checklist import checks
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from crankfold.acquire import Plugins, SourceInfo
    from crankfold.viewer.session import Question
    from crankfold.viewer.window.set_up import Draft

NOTHING = NOTHING_GIVEN


def wanted_of(file: Path | None, board: str | None, settings: Mapping[str, str],
              options: Mapping[str, Any], plugins: Plugins,
              folder: Path | None = None) -> tuple[SessionPlan | None, tuple[str, ...]]:
    """Return what to watch, None where the options say too little, and the checklist, empty for a file.

    Raises
    ------
    NoEngineError
        Neither the options nor the file say what engine it is.
    InputError, AcquireError
        An option, a rig, an engine card or the file has a mistake.
    """
    from crankfold.acquire import open_board, open_file
    rig = rig_of(options)
    if board is None and rig is not None:
        board, settings = rig.board, {**rig.settings, **settings}
    if file is not None:
        question = _question_of_file(file, settings, options, plugins)
        return SessionPlan(partial(open_file, file, settings, plugins), question, live=False, title=file.name,
                           folder=folder, prepare=_prepare), ()
    if board is None or not (options["firing_order"] or options["engine"]):
        return None, ()
    question = question_of(options)
    wanted = SessionPlan(partial(open_board, board, settings, plugins), question, title=board, folder=folder,
                         settings=settings, prepare=_prepare)
    return wanted, checks(question.sync, fuel=question.engine.fuel)


def _prepare(info: SourceInfo) -> None:
    """Load what the analysis needs, before the source streams."""
    del info
    prepare_solver()


class NoEngineError(InputError):
    """Neither the options nor the file say what engine it is."""


def _question_of_file(file: Path, settings: Mapping[str, str], options: Mapping[str, Any],
                      plugins: Plugins) -> Question:
    """Return what is asked of a file: what the options say, and where they say nothing what the file says of itself."""
    from crankfold.acquire import open_file
    if options["firing_order"] or options["engine"]:
        check_options(options, (file,))
        return question_of(options)
    if not tells_of_itself(file):
        open_file(file, settings, plugins).close()  # what is wrong with the file comes before what is not known of it
        raise NoEngineError(say("problem.no_firing_order"))
    capture = read_capture(file, settings, plugins)[0]
    about = told_about(capture)
    if about is None or about.engine is None:
        raise NoEngineError(say("problem.no_firing_order"))
    return question_for(capture, options)[0]


def tells_of_itself(file: Path) -> bool:
    """Return whether a file is of the kind that may know its engine."""
    return file.suffix.lower() in (".h5", ".hdf5")


def options_of(draft: Draft) -> dict[str, Any]:
    """Return the options that say what was answered in the window."""
    return {**NOTHING, "firing_order": draft["firing_order"], "intervals": draft["intervals"] or None,
            "strokes": int(draft["strokes"]), "fuel": draft["fuel"], "sync": draft.sync}
