"""``crankfold capture --from BOARD``: arm, catch each crank, judge it, arm again."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.command_line import NO_VERDICT, VERDICT
from crankfold.viewer.questions import engine_options, question_of, settings_of
from crankfold.viewer.wording import say

if TYPE_CHECKING:
    from crankfold.acquire.recording import RecordingPlan
    from crankfold.analysis.capture import Capture
    from crankfold.viewer.judging import Judged
    from crankfold.viewer.questions import Question

STANDARD_OUTPUT = "-"


@click.command("capture", help=say("help.capture.long"), short_help=say("help.capture.short"))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@engine_options
@click.option("--once", is_flag=True, help=say("option.once"))
@click.option("--count", type=click.IntRange(1), metavar="N", help=say("option.count"))
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help=say("option.out"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.json_latest"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.picture_latest"))
def command(*, board: str | None, pairs: tuple[str, ...], once: bool, count: int | None, out: Path | None,
            json_path: str | None, picture: Path | None, **options: Any) -> int:
    """Catch and judge cranks, and return the exit status of the last."""
    from crankfold.analysis.errors import InputError

    question, settings = question_of(options), settings_of(pairs)
    rig = question.rig
    if board is None and rig is None:
        raise InputError(say("problem.no_board"))
    if board is None and rig is not None:
        board, settings = rig.board, rig.settings | settings
    session = Session(question, aside=json_path == STANDARD_OUTPUT, out=out, picture=picture,
                      json_path=None if json_path in (None, STANDARD_OUTPUT) else Path(str(json_path)))
    session.check()
    return session.run(str(board), settings, 1 if once else count)


class Session:
    """One run of the command: where things go, and what the last verdict was."""

    def __init__(self, question: Question, *, aside: bool, out: Path | None, picture: Path | None,
                 json_path: Path | None) -> None:
        self._question, self._aside = question, aside
        self._out, self._picture, self._json = out, picture, json_path
        self._judged: list[str] = []

    def check(self) -> None:
        """Complain early about places that cannot be written.

        Raises
        ------
        InputError
            One of them cannot.
        """
        from crankfold.viewer.judging import check_picture_path
        from crankfold.viewer.outputs import check_writable

        if self._picture is not None:
            check_picture_path(self._picture)
        for path in (self._picture, self._json):
            if path is not None:
                check_writable(path)

    def run(self, board: str, settings: dict[str, str], count: int | None) -> int:
        """Record until `count` cranks are judged or the source ends; return the exit status of the last."""
        from crankfold.acquire.opening import open_board
        from crankfold.acquire.plugin_loading import load_plugins
        from crankfold.acquire.recorder import Recorder
        from crankfold.viewer.narrating import narrator
        from crankfold.viewer.preparing import VIRTUAL, prepare_solver, prepare_virtual

        plugins = load_plugins()
        source = open_board(board, settings, plugins)
        with self._journals(), Recorder(source, self._plan(), on_event=narrator(aside=self._aside)) as recorder:
            if source.info.live:
                self._caution()
                prepare_solver()
                if board.partition(":")[0].strip() == VIRTUAL:
                    prepare_virtual(plugins)
            for capture in recorder:
                if count is None or len(self._judged) < count:
                    self._take(capture, board)
                if count is not None and len(self._judged) >= count:
                    recorder.stop()
        return self._status(board)

    def _journals(self) -> AbstractContextManager[None]:
        """Return the care for what is written while a crank lasts, where captures are kept at all."""
        from crankfold.viewer.keeping import journals_cared_for, make_folder

        if self._out is None:
            return nullcontext()
        make_folder(self._out)
        return journals_cared_for(self._out, self._tell)

    def _tell(self, text: str) -> None:
        from crankfold.viewer.terminal import complain, tell

        (complain if self._aside else tell)(text)

    def _plan(self) -> RecordingPlan:
        from crankfold.acquire.recording import RecordingPlan

        rig = self._question.rig
        plan = RecordingPlan(journal_folder=self._out)
        return plan if rig is None else replace(plan, pre_trigger_s=rig.pre_trigger_s, max_crank_s=rig.max_crank_s)

    def _caution(self) -> None:
        from crankfold.viewer.report import print_safety

        print_safety(aside=self._aside)

    def _status(self, board: str) -> int:
        from crankfold.analysis.errors import InputError

        if not self._judged:
            raise InputError(say("problem.no_crank", board=board))
        return VERDICT if self._judged[-1] != "none" else NO_VERDICT

    def _take(self, capture: Capture, board: str) -> None:
        from crankfold.viewer.judging import judge
        from crankfold.viewer.progress import judging_text, working
        from crankfold.viewer.reading import warnings_of
        from crankfold.viewer.report import print_result
        from crankfold.viewer.result_json import result_text

        with working(judging_text()):
            judged = judge(capture, self._question, warnings_of(capture))
        self._write(judged, capture, board)
        self._judged.append(judged.result.verdict)
        if self._aside:
            sys.stdout.write(result_text(judged.result))
            sys.stdout.flush()
        else:
            print_result(judged.result)

    def _write(self, judged: Judged, capture: Capture, board: str) -> None:
        from crankfold.viewer.judging import picture_bytes
        from crankfold.viewer.keeping import keep, stem_of
        from crankfold.viewer.outputs import Outputs
        from crankfold.viewer.result_json import result_text

        with Outputs() as outputs:
            if self._json is not None:
                outputs.add(self._json, result_text(judged.result).encode("utf-8"))
            if self._picture is not None:
                outputs.add(self._picture, picture_bytes(judged, self._picture, board))
        if self._out is not None:
            stem = stem_of(capture.started_utc, len(self._judged) + 1)
            for path in keep(judged, capture, self._out, stem, name=f"{board}, {stem}"):
                self._tell(say("done.wrote", path=str(path)))
