"""``crankfold capture --from BOARD``: arm, catch each crank, judge it, arm again."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.acquire import BoardNotFoundError, Event, open_board
from crankfold.analysis import CrankfoldError, InputError
from crankfold.viewer import session
from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.commands.sharing import page_of, share_of, share_options
from crankfold.viewer.picture import tell_big
from crankfold.viewer.session import (
    LOST,
    VIRTUAL,
    Broke,
    Ended,
    Found,
    GuessedColumnsError,
    Kept,
    Opened,
    Outputs,
    Patience,
    Session,
    SessionPlan,
    Signals,
    ask_columns,
    can_ask,
    check_picture_path,
    check_writable,
    engine_options,
    job_of,
    job_options,
    make_folder,
    picture_bytes,
    prepare_solver,
    prepare_virtual,
    question_of,
    settings_of,
)
from crankfold.viewer.words import (
    complain,
    headline,
    judging_text,
    narrator,
    print_result,
    print_safety,
    result_text,
    say,
    say_count,
    tell,
    worded,
    working,
)

if TYPE_CHECKING:
    from crankfold.acquire import Job, SourceInfo
    from crankfold.viewer.session import Answered, Judged, News, NoBoard, Question, Rescued, Unjudged, Unkept
    from crankfold.viewer.share import Shared

STANDARD_OUTPUT = "-"
REMIND_S = 10.0  # whoever waits for a board looks away for longer than that
SOUNDS = ("bell", "tones", "off")


@click.command("capture", help=say("help.capture.long"), short_help=say("help.capture.short"))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@engine_options
@job_options
@click.option("--once", is_flag=True, help=say("option.once"))
@click.option("--count", type=click.IntRange(1), metavar="N", help=say("option.count"))
@click.option("--sound", type=click.Choice(SOUNDS), default="bell", show_default=True, help=say("option.sound"))
@click.option("--large", is_flag=True, help=say("option.large"))
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help=say("option.out"))
@click.option("--json", "json_path", metavar="PATH", help=say("option.json_latest"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.picture_latest"))
@share_options
def command(*, board: str | None, pairs: tuple[str, ...], once: bool, count: int | None, sound: str, large: bool,
            out: Path | None, json_path: str | None, picture: Path | None, **options: Any) -> int:
    """Catch and judge cranks, and return the exit status of the last."""
    shared = share_of(options)
    job = job_of(options)
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
        try:
            return Run(question, str(board), settings, way, signals, job, shared).run()
        except GuessedColumnsError as error:
            if not can_ask():
                raise
            settings["columns"] = ask_columns(error.columns)
        return Run(question, str(board), settings, way, signals, job, shared).run()


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
        if self.picture is not None:
            check_picture_path(self.picture)
        for path in (self.picture, self.json_path):
            if path is not None:
                check_writable(path)


class Run:
    """One run of the command on one board."""

    def __init__(self, question: Question, board: str, settings: dict[str, str], way: Way, signals: Signals,
                 job: Job | None = None, shared: Shared | None = None) -> None:
        self._narrate = narrator(aside=way.aside, rig=question.rig)
        self._question, self._board, self._settings = question, board, settings
        self._way, self._signals, self._job = way, signals, job
        self._shared = shared
        self._judged: dict[int, tuple[str, str]] = {}
        self._answer: Answered | None = None
        self._error: BaseException | None = None
        self._lost_s = self._said_s = 0.0
        self._live = self._lost = self._interrupted = self._over = False

    def run(self) -> int:
        """Record until enough cranks are analysed or the source ends; return the exit status of the last."""
        if self._way.out is not None:
            make_folder(self._way.out)
        with Session(self._plan()) as session, page_of(self._shared, session, aside=self._way.aside) as self._page:
            self._until_streaming(session)
            while not self._over:
                try:
                    self._until(session, ())
                except KeyboardInterrupt:
                    if self._interrupted:
                        raise
                    self._interrupted = True
                    session.stop()
        return self._ended()

    def _plan(self) -> SessionPlan:
        plugins = installed_plugins()

        def prepare(info: SourceInfo) -> None:
            if not info.live:
                return  # a file may wait: what it needs is loaded when it is analysed
            prepare_solver()
            if self._board.partition(":")[0].strip() == VIRTUAL:
                prepare_virtual(plugins)

        return SessionPlan(
            partial(open_board, self._board, self._settings, plugins), self._question, title=self._board,
            folder=self._way.out, job=self._job, settings=self._settings, each_crank=None,
            count=self._way.count, prepare=prepare,
            patience=Patience.ONCE_OPENED if self._way.patient else Patience.NEVER)

    def _until_streaming(self, session: Session) -> None:
        """Show what takes long until samples come."""
        with working(say("progress.opening", board=self._board)) as line, line.opening(self._board):
            self._until(session, (Found,))
        if self._over:
            return
        if self._live:
            print_safety(fuel=self._question.engine.fuel, aside=self._way.aside)
        with working(judging_text()):
            self._until(session, (Opened,))

    def _until(self, session: Session, kinds: tuple[type, ...]) -> None:
        """Deal with what happens, up to the first news of one of these kinds, or to the end."""
        for news in session.events():
            self._hear(news)
            self._page(news)
            self._over = isinstance(news, Ended)
            if isinstance(news, kinds):
                return

    def _hear(self, news: News) -> None:
        match news:
            case Event():
                self._narrate(news)
                self._signals.event(news)
            case session.Found():
                self._live = news.live
            case session.Opened() if self._lost:
                self._lost, self._error = False, None
                self._tell(say("event.back"))
            case session.Told():
                self._tell(news.text)
            case session.NoBoard() | session.Broke():
                self._trouble(news)
            case session.Answered():
                self._answer = news
                if self._way.out is None:
                    self._show(news)
            case session.Unjudged():
                self._unjudged(news)
            case session.Kept() | session.Unkept():
                self._kept(news)
            case session.Rescued():
                self._rescued(news)
            case session.LeftElsewhere():
                self._tell(say("done.elsewhere", path=str(news.path), machine=news.machine))

    def _trouble(self, news: NoBoard | Broke) -> None:
        error, before = news.error, self._error
        self._error = error
        if isinstance(news, Broke) and news.waiting:
            self._lost = True
            self._lost_s = self._said_s = time.monotonic()
            self._signals.lost()
            self._tell(say("event.waiting", problem=worded(error)))
        elif self._lost and type(error) is not type(before) and not isinstance(error, (*LOST, BoardNotFoundError)):
            self._tell(worded(error))
            self._said_s = time.monotonic()
        elif self._lost and time.monotonic() - self._said_s >= REMIND_S:
            self._said_s = time.monotonic()
            self._tell(say("event.still_waiting", waited_s=self._said_s - self._lost_s))

    def _unjudged(self, news: Unjudged) -> None:
        expected = isinstance(news.error, CrankfoldError)
        if news.error is not None and (not expected or not self._live or self._way.count == 1):
            raise news.error
        self._tell(news.text)
        self._judged[news.number] = ("none", news.text)

    def _kept(self, news: Kept | Unkept) -> None:
        if isinstance(news, Kept):
            for path in news.paths:
                self._tell(say("done.wrote", path=str(path)))
        else:
            self._tell(f"{news.what}; {news.remedy}" if news.remedy else news.what)
        if self._answer is not None and self._answer.number == news.number:
            self._show(self._answer)
            self._answer = None

    def _rescued(self, news: Rescued) -> None:
        if news.path is not None:
            self._tell(say("done.recovered", path=str(news.path)))
        if news.judged is not None:
            self._tell(headline(news.judged.result))
        if news.problem:
            self._tell(news.problem)

    def _show(self, news: Answered) -> None:
        result = news.judged.result
        self._write(news.judged)
        self._judged[news.number] = (result.verdict, headline(result))
        self._signals.result(result)
        if self._way.aside:
            sys.stdout.write(result_text(result))
            sys.stdout.flush()
            return
        print_result(result, headline_last=True)
        if self._way.large:
            tell_big(headline(result))

    def _write(self, judged: Judged) -> None:
        with Outputs() as outputs:
            if self._way.json_path is not None:
                outputs.add(self._way.json_path, result_text(judged.result).encode("utf-8"))
            if self._way.picture is not None:
                outputs.add(self._way.picture, picture_bytes(judged, self._way.picture, self._board))

    def _tell(self, text: str) -> None:
        (complain if self._way.aside else tell)(text)

    def _ended(self) -> int:
        """Sum up, and return the exit status."""
        enough = self._way.count is not None and len(self._judged) >= self._way.count
        if self._error is not None and not (enough or self._interrupted):
            raise self._error
        if not self._judged:
            if self._interrupted:
                raise KeyboardInterrupt
            raise InputError(say("problem.no_crank", board=self._board))
        if len(self._judged) > 1 or self._interrupted:
            self._tell("")
            self._tell(say_count("summary", len(self._judged)))
            for number, (_, told) in enumerate(self._judged.values(), start=1):
                self._tell(say("summary.row", number=number, headline=told))
        if self._way.count is not None and not enough:
            self._tell(say("problem.too_few", count=len(self._judged), wanted=self._way.count))
            return NO_VERDICT
        return VERDICT if list(self._judged.values())[-1][0] != "none" else NO_VERDICT
