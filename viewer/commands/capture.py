"""``crankfold capture --from BOARD``: arm, catch each crank, judge it, arm again."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.session import engine_options, question_of, settings_of
from crankfold.viewer.words import say, say_count

if TYPE_CHECKING:
    from crankfold.acquire import Event, Plugins, Source
    from crankfold.analysis import Capture, Result
    from crankfold.viewer.session import Following, Judged, Question, Signals

STANDARD_OUTPUT = "-"
SOUNDS = ("bell", "tones", "off")


@click.command("capture", help=say("help.capture.long"), short_help=say("help.capture.short"))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@engine_options
@click.option("--once", is_flag=True, help=say("option.once"))
@click.option("--count", type=click.IntRange(1), metavar="N", help=say("option.count"))
@click.option("--sound", type=click.Choice(SOUNDS), default="bell", show_default=True, help=say("option.sound"))
@click.option("--large", is_flag=True, help=say("option.large"))
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help=say("option.out"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.json_latest"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.picture_latest"))
def command(*, board: str | None, pairs: tuple[str, ...], once: bool, count: int | None, sound: str, large: bool,
            out: Path | None, json_path: str | None, picture: Path | None, **options: Any) -> int:
    """Catch and judge cranks, and return the exit status of the last."""
    from crankfold.analysis import InputError
    from crankfold.viewer.session import Signals

    question, settings = question_of(options), settings_of(pairs)
    rig = question.rig
    if board is None and rig is None:
        raise InputError(say("problem.no_board"))
    if board is None and rig is not None:
        board, settings = rig.board, rig.settings | settings
    aside = json_path == STANDARD_OUTPUT
    way = Way(aside=aside, large=large, out=out, picture=picture, count=1 if once else count, patient=not once,
              json_path=None if aside or json_path is None else Path(json_path))
    way.check()
    with Signals(sound) as signals:
        return Session(question, str(board), settings, way, signals).run()


@dataclass(frozen=True)
class Way:
    """How captures are taken and where they go.

    Parameters
    ----------
    aside
        Whether standard output is left to JSON.
    large
        Whether the verdict is also shown in large letters.
    out, picture, json_path
        Where each capture is kept; latest picture and result; None: nowhere.
    count
        Cranks to take, None: until the end.
    patient
        Whether a board that was unplugged is waited for.
    """

    aside: bool
    large: bool
    out: Path | None
    picture: Path | None
    json_path: Path | None
    count: int | None
    patient: bool

    def check(self) -> None:
        """Complain early about places that cannot be written.

        Raises
        ------
        InputError
            One of them cannot.
        """
        from crankfold.viewer.session import check_picture_path, check_writable

        if self.picture is not None:
            check_picture_path(self.picture)
        for path in (self.picture, self.json_path):
            if path is not None:
                check_writable(path)


class Session:
    """One run of the command on one board."""

    def __init__(self, question: Question, board: str, settings: dict[str, str], way: Way, signals: Signals) -> None:
        from crankfold.viewer.words import narrator

        self._narrate = narrator(aside=way.aside, rig=question.rig)
        self._question, self._board, self._settings = question, board, settings
        self._way, self._signals = way, signals
        self._judged: list[tuple[str, str]] = []

    def run(self) -> int:
        """Record until enough cranks are judged or the source ends; return the exit status of the last."""
        from crankfold.acquire import open_board
        from crankfold.viewer.session import Following, plan_of
        from crankfold.viewer.words import working

        plugins = installed_plugins()
        reopen = partial(open_board, self._board, self._settings, plugins)
        plan = partial(plan_of, rig=self._question.rig, probe=self._question.probe, journal_folder=self._way.out)
        following = Following(reopen, plan, self._happened, self._tell, self._signals.lost, self._way.patient,
                              lambda: self._enough)
        with self._journals():
            with working(say("progress.opening", board=self._board)) as line, line.opening(self._board):
                source = reopen()
            try:
                plan(source.info)
                self._prepare(source, plugins)
            except BaseException:
                source.close()
                raise
            self._follow(following, source)
        return self._ended(following)

    def _happened(self, event: Event) -> None:
        if not self._enough:
            self._narrate(event)
            self._signals.event(event)

    def _follow(self, following: Following, source: Source) -> None:
        with closing(following.captures(source)) as captures:
            for capture in captures:
                before = len(self._judged)
                if not self._enough and (capture.trigger_index is not None or not following.interrupted):
                    try:
                        self._take(capture, live=source.info.live)
                    except KeyboardInterrupt:
                        following.interrupt()
                        if len(self._judged) == before:
                            self._take(capture, live=source.info.live)
                if self._enough:
                    following.stop()

    @property
    def _enough(self) -> bool:
        return self._way.count is not None and len(self._judged) >= self._way.count

    def _prepare(self, source: Source, plugins: Plugins) -> None:
        from crankfold.viewer.session import VIRTUAL, prepare_solver, prepare_virtual
        from crankfold.viewer.words import print_safety

        if source.info.live:
            print_safety(fuel=self._question.engine.fuel, aside=self._way.aside)
            prepare_solver()
            if self._board.partition(":")[0].strip() == VIRTUAL:
                prepare_virtual(plugins)

    def _journals(self) -> AbstractContextManager[None]:
        """Return the care for what is written while a crank lasts, where captures are kept at all."""
        from crankfold.viewer.session import journals_cared_for, make_folder

        if self._way.out is None:
            return nullcontext()
        make_folder(self._way.out)
        return journals_cared_for(self._way.out, self._tell)

    def _tell(self, text: str) -> None:
        from crankfold.viewer.words import complain, tell

        (complain if self._way.aside else tell)(text)

    def _ended(self, following: Following) -> int:
        """Sum up, and return the exit status."""
        from crankfold.analysis import InputError

        if not self._judged:
            if following.interrupted:
                raise KeyboardInterrupt
            raise InputError(say("problem.no_crank", board=self._board))
        if len(self._judged) > 1 or following.interrupted:
            self._tell("")
            self._tell(say_count("summary", len(self._judged)))
            for number, (_, headline) in enumerate(self._judged, start=1):
                self._tell(say("summary.row", number=number, headline=headline))
        return VERDICT if self._judged[-1][0] != "none" else NO_VERDICT

    def _take(self, capture: Capture, *, live: bool) -> None:
        from crankfold.analysis import InputError
        from crankfold.viewer.session import judge, warnings_of
        from crankfold.viewer.words import judging_text, working

        try:
            with working(judging_text()):
                judged = judge(capture, self._question, warnings_of(capture))
        except InputError as error:
            if not live or self._way.count == 1:
                raise
            self._tell(str(error))
            self._judged.append(("none", str(error)))
            return
        self._write(judged, capture)
        self._show(judged.result)

    def _show(self, result: Result) -> None:
        from crankfold.viewer.picture import tell_big
        from crankfold.viewer.words import headline, print_result, result_text

        self._judged.append((result.verdict, headline(result)))
        self._signals.result(result)
        if self._way.aside:
            sys.stdout.write(result_text(result))
            sys.stdout.flush()
            return
        print_result(result, headline_last=True)
        if self._way.large:
            tell_big(headline(result))

    def _write(self, judged: Judged, capture: Capture) -> None:
        from crankfold.viewer.session import Outputs, keep, picture_bytes, stem_of
        from crankfold.viewer.words import result_text

        with Outputs() as outputs:
            if self._way.json_path is not None:
                outputs.add(self._way.json_path, result_text(judged.result).encode("utf-8"))
            if self._way.picture is not None:
                outputs.add(self._way.picture, picture_bytes(judged, self._way.picture, self._board))
        if self._way.out is not None:
            stem = stem_of(capture.started_utc, len(self._judged) + 1, self._way.out)
            for path in keep(judged, capture, self._way.out, stem, name=f"{self._board}, {stem}"):
                self._tell(say("done.wrote", path=str(path)))
