"""Esc, closing, sleep and unplugging in every standing: the board is let go, and nothing stale is on the screen."""

from __future__ import annotations

from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from crankfold.acquire import Event, Happening
from crankfold.analysis import Result
from crankfold.viewer.session import (
    VERDICTS,
    Answered,
    Broke,
    Caught,
    Judged,
    NoBoard,
    Opened,
    Over,
    Passing,
    Phase,
    Readying,
    Resting,
    Retrying,
    SessionPlan,
    Unjudged,
)
from crankfold.viewer.window.watching import STREAMING

READY = (Readying(live=True), Opened("test board"))


def happening(what: Happening) -> Event:
    return Event(what, 0, 0.0)


STANDINGS = {
    Phase.READYING: READY[:1],
    Phase.NO_BOARD: (*READY[:1], NoBoard("there is no board", "plug one in")),
    Phase.FILLING: READY,
    Phase.ARMED: (*READY, happening(Happening.ARMED)),
    Phase.LOST: (*READY, happening(Happening.ARMED), Broke("it was unplugged", "plug it in")),
    Phase.REFUSED: (*READY, Caught(1), Unjudged(1, "it cannot be")),
    Phase.RESTING: (*READY, Resting()),
    Phase.OVER: (*READY, Over()),
}
UNDER_WAY = {
    Phase.CRANKING: (*READY, happening(Happening.CRANKING)),
    Phase.ENOUGH: (*READY, happening(Happening.CRANKING), Passing(5.0)),
    Phase.REST: (*READY, happening(Happening.CRANKING), happening(Happening.REST)),
    Phase.JUDGING: (*READY, Caught(1)),
}


EVERY = (*STANDINGS, *UNDER_WAY, Phase.EVEN, Phase.NAMED, Phase.UNNAMED)


class Followed:
    """A session that does nothing but write down what it is asked for."""

    def __init__(self, question: Any) -> None:
        self.plan, self.followed, self.asked = SessionPlan(lambda: None, question), None, list[str]()

    def news(self) -> list[Any]:
        return []

    def rest(self) -> None:
        self.asked.append("rest")

    def arm(self) -> None:
        self.asked.append("arm")

    def close(self) -> None:
        self.asked.append("close")


@pytest.fixture
def stand(dead_three: Any, uneven_result: Result, healthy: Any, even_result: Result, question: Any) -> Any:
    """Return what brings a window into a standing, a live line of a board on its strip and a session behind it."""
    import numpy as np

    from crankfold.analysis import Channel
    from crankfold.viewer.window.plots import LiveLine

    results = {Phase.EVEN: (healthy, even_result), Phase.NAMED: (dead_three, uneven_result),
               Phase.UNNAMED: (dead_three, nameless(uneven_result))}

    def brought(window: Any, phase: Phase) -> Followed:
        session = Followed(question())
        window.pile.clear()
        window.session = session
        news = {**STANDINGS, **UNDER_WAY}.get(phase)
        if news is None:
            capture, result = results[phase]
            news = (*READY, Caught(1), Answered(1, Judged(capture, result, question())))
        for each in news:
            window.take(each)
        if window.now.stage in STREAMING and phase not in VERDICTS:
            line = LiveLine(np.array([0.0, 1.0]), np.array([0.0, 5.0]))
            window.page.strip.show_live((line,), (Channel("current", "A"),), 8.0)
        assert window.now.phase is phase
        return session

    return brought


def nameless(result: Result) -> Result:
    from dataclasses import replace

    return replace(result, sync=None, cylinders=tuple(replace(c, cylinder=None) for c in result.cylinders))


@pytest.mark.parametrize("phase", EVERY)
def test_an_unplugged_board_is_said_at_once_and_leaves_nothing_stale(bench: Any, stand: Any, phase: Phase) -> None:
    window = bench.window()
    stand(window, phase)
    had = window.now.judged
    window.take(Broke("it was unplugged", "plug it in"))
    spoken = window.page.head.spoken
    assert (window.now.phase, spoken.headline, spoken.alarm) == (Phase.LOST, "Board lost.", True)
    assert window.page.buttons.actions_[0] == "retry"
    assert window.page.strip.judged is had, "a result stays, a stream does not"
    if had is None:
        assert not window.page.strip.moving_items()
    else:
        assert "The last result was" in spoken.aside


@pytest.mark.parametrize("phase", EVERY)
def test_after_a_sleep_a_stream_is_begun_anew_and_closing_lets_go_once(bench: Any, stand: Any, phase: Phase) -> None:
    window, now_s = bench.window(), [0.0]
    window.clock = lambda: now_s[0]
    session = stand(window, phase)
    streams, had = window.now.stage in STREAMING, window.now.judged
    window.tick()
    now_s[0] = 3600.0
    window.tick()
    assert session.asked == (["rest", "arm"] if streams else [])
    assert window.now.judged is had
    if streams:
        assert window.now.stage is Phase.READYING
        assert "asleep" in window.page.head.spoken.aside
        assert had is not None or not window.page.strip.moving_items()
    session.asked.clear()
    assert window.close()
    assert session.asked == ["close"]
    assert window.session is None
    assert not window._timer.isActive()
    assert window.page.strip.judged is None
    assert not window.page.strip.moving_items()


@pytest.mark.parametrize("phase", (Phase.EVEN, Phase.NAMED, Phase.UNNAMED))
def test_esc_leaves_a_verdict_and_lets_go_of_the_board(desk: Any, stand: Any, phase: Phase) -> None:
    session = stand(desk.window, phase)
    QTest.keyClick(desk.window, Qt.Key.Key_Escape)
    assert desk.window.pile.top is desk.start
    assert session.asked == ["close"]
    assert desk.window.page.strip.judged is None


@pytest.mark.parametrize("phase", STANDINGS)
def test_esc_leads_to_the_start_page(desk: Any, phase: Phase) -> None:
    window = desk.window
    window.pile.clear()
    for news in STANDINGS[phase]:
        window.take(news)
    assert window.now.phase is phase
    QTest.keyClick(window, Qt.Key.Key_Escape)
    assert window.pile.top is desk.start
    assert window.now.judged is None and window.now.stage is Phase.READYING


@pytest.mark.parametrize("phase", UNDER_WAY)
def test_esc_does_not_leave_a_crank_under_way(desk: Any, phase: Phase) -> None:
    window = desk.window
    window.pile.clear()
    for news in UNDER_WAY[phase]:
        window.take(news)
    QTest.keyClick(window, Qt.Key.Key_Escape)
    assert window.pile.top is None
    assert window.now.phase is phase


def test_esc_on_the_first_page_of_the_set_up_leads_back_to_the_start(desk: Any) -> None:
    desk.window.begin_set_up()
    QTest.keyClick(desk.set_up, Qt.Key.Key_Escape)
    assert desk.window.pile.top is desk.start


def test_a_board_that_is_gone_leaves_no_line_of_what_it_sent(bench: Any) -> None:
    import numpy as np

    from crankfold.analysis import Channel
    from crankfold.viewer.window.plots import LiveLine

    window = bench.window()
    for news in STANDINGS[Phase.ARMED]:
        window.take(news)
    line = LiveLine(np.array([0.0, 1.0]), np.array([0.0, 5.0]))
    window.page.strip.show_live((line,), (Channel("current", "A"),), 8.0)
    assert window.page.strip.moving_items()
    window.take(Broke("it was unplugged", "plug it in"))
    assert not window.page.strip.moving_items()
    window.take(Retrying())
    window.take(Opened("test board"))
    assert window.now.phase is Phase.FILLING


def test_after_a_sleep_the_board_is_opened_anew(bench: Any, played: Any, recorded_codes: Any, question: Any) -> None:
    info, codes = recorded_codes("engine=pump,quiet=4,cranks=0,after=4,rate=2000")
    opened: list[int] = []

    def begun() -> Any:
        opened.append(1)
        return played(info, codes, speed=5.0)

    window, now_s = bench.window(), [0.0]
    window.clock = lambda: now_s[0]
    phases = bench.watch(window, SessionPlan(begun, question()))
    bench.until(lambda: bool(phases) and phases[-1] is Phase.ARMED)
    now_s[0] = 3600.0
    bench.until(lambda: len(opened) == 2 and phases[-1] is Phase.ARMED)
    assert Phase.READYING in phases[phases.index(Phase.ARMED):]
