"""From the options of the command, or from what was set up, to the source to watch and its checklist."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.viewer.session import NOTHING_GIVEN, question_of
from crankfold.viewer.window.checklist import checks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from crankfold.acquire import Plugins, SourceInfo
    from crankfold.viewer.session import Question, SessionPlan

NOTHING = NOTHING_GIVEN


def wanted_of(file: Path | None, board: str | None, settings: Mapping[str, str],
              options: Mapping[str, Any], plugins: Plugins,
              folder: Path | None = None) -> tuple[SessionPlan | None, tuple[str, ...]]:
    """Return what to watch, None where the options say too little, and the checklist, empty for a file.

    Raises
    ------
    InputError, AcquireError
        An option, a rig or an engine card has a mistake.
    """
    from crankfold.acquire import open_board, open_file
    from crankfold.viewer.session import SessionPlan, rig_of

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
                         prepare=_prepare)
    return wanted, checks(question.sync, fuel=question.engine.fuel)


def _prepare(info: SourceInfo) -> None:
    """Load what the analysis needs, before the source streams."""
    from crankfold.viewer.session import prepare_solver

    del info
    prepare_solver()


def _question_of_file(file: Path, settings: Mapping[str, str], options: Mapping[str, Any],
                      plugins: Plugins) -> Question:
    """Return what is asked of a file: what the options say, and where they say nothing what the file says of itself."""
    from crankfold.viewer.session import check_options, question_for, read_capture

    check_options(options, (file,))
    if options["firing_order"] or options["engine"]:
        return question_of(options)
    return question_for(read_capture(file, settings, plugins)[0], options)[0]
