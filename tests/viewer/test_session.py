"""A session without a screen: what it tells in a good run, and that nothing it caught is lost in a bad one."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from crankfold.acquire import (
    BoardDisconnectedError,
    EndOfStream,
    Event,
    Happening,
    Probe,
    Samples,
    Source,
    SourceInfo,
    open_board,
)
from crankfold.viewer.session import (
    Answered,
    Broke,
    Caught,
    Ended,
    Found,
    Kept,
    NoBoard,
    Opened,
    Patience,
    Question,
    Rescued,
    Resting,
    Saved,
    Session,
    SessionPlan,
    Unjudged,
    question_of,
)

NOTHING: dict[str, Any] = {
    "firing_order": "1-3-4-2", "intervals": None, "strokes": None, "engine_name": "", "engine": None, "rig": None,
    "clamp": None, "probe": None, "sync": None, "gauge": None, "misfire_codes": (), "low": 75.0, "dead": 15.0,
    "watch": None}
THREE_CRANKS = {"cranks": "3", "crank": "3", "quiet": "2", "rest": "4", "after": "1", "rate": "2000", "pace": "flat",
                "dead": "3"}


class Board(Source):
    """A board that sends what a virtual engine made, as fast as it is read, and waits where it is told to."""

    def __init__(self, info: SourceInfo, codes: Any, *, breaks_at: int | None = None, ends: bool = True) -> None:
        super().__init__()
        self._info, self._codes, self._breaks_at, self._ends = info, codes, breaks_at, ends
        self._at, self.closed = 0, threading.Event()

    @property
    def info(self) -> SourceInfo:
        return self._info

    def _read(self, timeout_s: float) -> Samples | None:
        if self._breaks_at is not None and self._at >= self._breaks_at:
            raise BoardDisconnectedError("the board was unplugged", "plug it in again")
        if self._at >= len(self._codes):
            if self._ends:
                raise EndOfStream
            threading.Event().wait(timeout_s)
            return None
        block = self._codes[self._at : self._at + 200]
        self._at += len(block)
        return Samples(block)

    def _close(self) -> None:
        self.closed.set()


@pytest.fixture(scope="session")
def three_cranks() -> tuple[SourceInfo, Any]:
    import numpy as np

    from crankfold.acquire import load_plugins

    with open_board("virtual", THREE_CRANKS, load_plugins()) as source:
        source.start()
        blocks = []
        while not source.finished:
            block = source.read(0.1)
            if block is not None:
                blocks.append(block.codes)
        return replace(source.info, finite=False, live=True), np.concatenate(blocks)


@pytest.fixture
def question() -> Question:
    return question_of(NOTHING)


@pytest.fixture
def plan_on(three_cranks: tuple[SourceInfo, Any], question: Question) -> Callable[..., SessionPlan]:
    def made(*, board: dict[str, Any] | None = None, **facts: Any) -> SessionPlan:
        info, codes = three_cranks
        return SessionPlan(lambda: Board(info, codes, **(board or {})), question,
                           **{"patience": Patience.NEVER, **facts})

    return made


def told_by(plan: SessionPlan) -> list[Any]:
    with Session(plan) as session:
        return list(session.events())


def kinds(told: list[Any]) -> list[str]:
    return [type(news).__name__ for news in told if not isinstance(news, Event)]


def test_a_good_run_from_opening_to_the_end(plan_on: Callable[..., SessionPlan], tmp_path: Path) -> None:
    told = told_by(plan_on(folder=tmp_path))
    assert kinds(told)[:3] == ["Readying", "Found", "Opened"]
    assert kinds(told)[-1] == "Ended"
    for number in (1, 2, 3):
        mine = [type(news) for news in told if getattr(news, "number", None) == number]
        assert mine == [Caught, Saved, Answered, Kept]
    armed = [news.what for news in told if isinstance(news, Event) and news.what in (
        Happening.ARMED, Happening.CRANKING)]
    assert armed[:2] == [Happening.ARMED, Happening.CRANKING]
    assert sorted(path.suffix for path in tmp_path.iterdir()) == sorted([".h5", ".html", ".json", ".png", ".svg"] * 3)
    assert [news.judged.result.verdict for news in told if isinstance(news, Answered)] == ["uneven"] * 3


def test_the_samples_are_on_disk_before_they_are_analysed(plan_on: Callable[..., SessionPlan], tmp_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    from crankfold.viewer.session import judgement

    there: list[int] = []
    judge = judgement.judge

    def watched(*given: Any) -> Any:
        there.append(len(list(tmp_path.glob("*.h5"))))
        return judge(*given)

    monkeypatch.setattr(judgement, "judge", watched)
    told_by(plan_on(folder=tmp_path))
    assert len(there) == 3
    assert all(count >= number for number, count in enumerate(there, start=1))


def test_three_cranks_and_closed_at_once_are_three_captures(plan_on: Callable[..., SessionPlan], tmp_path: Path,
                                                            monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits for its analysis when the session is closed is on disk all the same."""
    from crankfold.viewer.session import judgement

    held = threading.Event()

    def waits(*_: Any) -> Any:
        held.wait(30)
        raise RuntimeError("the session is closed")

    monkeypatch.setattr(judgement, "judge", waits)
    session = Session(plan_on(folder=tmp_path))
    session.start()
    caught = 0
    for news in session.events():
        caught += isinstance(news, Saved)
        if caught == 3:
            break
    session.close(0.0)
    held.set()
    assert len(list(tmp_path.glob("*.h5"))) == 3


@pytest.mark.parametrize("error", [RuntimeError("a fault of ours"), MemoryError()])
def test_a_fault_in_the_analysis_costs_no_capture(plan_on: Callable[..., SessionPlan], tmp_path: Path,
                                                  monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    from crankfold.viewer.session import judgement

    def broken(*_: Any) -> Any:
        raise error

    monkeypatch.setattr(judgement, "judge", broken)
    told = told_by(plan_on(folder=tmp_path))
    assert [news.error for news in told if isinstance(news, Unjudged)] == [error] * 3
    assert [news.paths[0].exists() for news in told if isinstance(news, Kept)] == [True] * 3
    assert len(list(tmp_path.glob("*.h5"))) == 3


def test_a_source_whose_plan_does_not_fit_is_closed(three_cranks: tuple[SourceInfo, Any], question: Question) -> None:
    info, codes = three_cranks
    opened: list[Board] = []

    def board() -> Board:
        opened.append(Board(replace(info, channels=tuple(replace(c, unit="bar") for c in info.channels)), codes))
        return opened[-1]

    misfit = replace(question, probe=Probe.parse("10mV/A"))
    session = Session(SessionPlan(board, misfit, retry_s=0.0))
    session.start()
    for _ in session.events():
        if len(opened) >= 4:
            break
    session.close()
    assert all(one.closed.wait(10) for one in opened)


def test_an_absent_board_is_waited_for_as_long_as_the_plan_says(question: Question) -> None:
    def absent() -> Source:
        raise BoardDisconnectedError("no board", "plug it in")

    told = told_by(SessionPlan(absent, question, patience=Patience.ONCE_OPENED))
    assert kinds(told) == ["Readying", "NoBoard", "Ended"]
    session = Session(SessionPlan(absent, question, patience=Patience.ALWAYS, retry_s=0.0))
    session.start()
    seen = 0
    for news in session.events():
        seen += isinstance(news, NoBoard)
        if seen == 3:
            break
    session.close()


def test_a_lost_board_is_taken_up_again(plan_on: Callable[..., SessionPlan], three_cranks: tuple[SourceInfo, Any]
                                        ) -> None:
    plan = plan_on()
    info, codes = three_cranks
    boards = [Board(info, codes, breaks_at=2000), Board(info, codes)]
    told = told_by(replace(plan, open=lambda: boards.pop(0), patience=Patience.ONCE_OPENED, retry_s=0.0))
    first = [name for name in kinds(told) if name in ("Opened", "Broke", "Retrying", "Over", "Ended")]
    assert first == ["Opened", "Broke", "Retrying", "Opened", "Over", "Ended"]
    assert [news.waiting for news in told if isinstance(news, Broke)] == [True]


def test_enough_is_enough(plan_on: Callable[..., SessionPlan]) -> None:
    told = told_by(plan_on(count=2, patience=Patience.ONCE_OPENED))
    assert kinds(told).count("Answered") == 2
    assert isinstance(told[-1], Ended)


def test_at_rest_the_board_is_let_go_and_armed_it_is_taken_up(plan_on: Callable[..., SessionPlan]) -> None:
    session = Session(plan_on(board={"ends": False}, patience=Patience.ALWAYS))
    session.start()
    seen: list[type] = []
    for news in session.events():
        seen.append(type(news))
        if isinstance(news, Event) and news.what is Happening.ARMED and seen.count(Opened) == 1:
            session.rest()
        if isinstance(news, Resting):
            session.arm()
        if isinstance(news, Opened) and seen.count(Opened) == 2:
            break
    session.close()
    assert seen.index(Resting) < len(seen) - 1


def test_news_that_was_not_dealt_with_is_told_again(plan_on: Callable[..., SessionPlan]) -> None:
    session = Session(plan_on(count=1))
    session.start()
    first = next(session.events())
    assert next(session.events()) is first
    session.close()


def test_what_was_cut_off_is_saved_analysed_and_told_by_the_next_session(
        plan_on: Callable[..., SessionPlan], tmp_path: Path) -> None:
    from crankfold.acquire import Recorder, RecordingPlan

    plan = plan_on()
    with Recorder(plan.open(), RecordingPlan(journal_folder=tmp_path)) as recorder:
        taken = next(recorder.caught())
        taken.journal.close()  # as when the program ends here
    told = told_by(replace(plan_on(folder=tmp_path), open=lambda: (_ for _ in ()).throw(
        BoardDisconnectedError("no board", "plug it in"))))
    rescued = [news for news in told if isinstance(news, Rescued)]
    assert len(rescued) >= 1
    assert all(one.path is not None and one.path.exists() for one in rescued)
    verdicts = [one.judged.result.verdict for one in rescued if one.judged is not None]
    assert len(verdicts) == len(rescued)
    assert "uneven" in verdicts
    assert set(verdicts) <= {"uneven", "none"}  # the board may have begun its next crank, of which little is there


def test_it_needs_neither_a_screen_nor_a_command_line() -> None:
    code = ("import sys; from crankfold.viewer.session import Session, SessionPlan, Question; "
            "print([name for name in ('click', 'PySide6', 'rich') if name in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_found_says_whether_it_streams(plan_on: Callable[..., SessionPlan]) -> None:
    assert [news.live for news in told_by(plan_on(count=1)) if isinstance(news, Found)] == [True]
