"""What is watched in a window: a session's news and the newest samples at every frame, and the tones they sound."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QWidget

from crankfold.viewer.picture import look
from crankfold.viewer.session import (
    RUNNING,
    Answered,
    Caught,
    Opened,
    Passing,
    Phase,
    Readying,
    Session,
    Standing,
    Told,
    after,
    told_by_tone,
)
from crankfold.viewer.window.page import Page
from crankfold.viewer.window.pages import Pile
from crankfold.viewer.window.plots import SHOWN_S, LiveTrace
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire import Job
    from crankfold.analysis import Capture
    from crankfold.viewer.picture import Paper
    from crankfold.viewer.session import Followed, Judged, News, SessionPlan, Sink

FRAME_MS = 33
STREAMING = (Phase.FILLING, Phase.ARMED, Phase.READING, *RUNNING)
SLEPT_S = 20.0  # between two frames: no machine is that busy


class WatchingWidget(QWidget):
    """Watches a session and shows it on its page.

    `asked` tells the actions that lead to other pages, `stood` that the window stands otherwise than before.

    Parameters
    ----------
    sink
        Where tones go.
    paper
        Light or dark.
    """

    asked = Signal(str)
    stood = Signal()

    def __init__(self, sink: Sink, paper: Paper = look.LIGHT) -> None:
        super().__init__()
        self.setWindowTitle(say("window.title"))
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.sink, self.now = sink, Standing()
        self.clock: Callable[[], float] = time.time  # goes on while the computer sleeps
        self._ticked_s: float | None = None
        self.session: Session | None = None
        self._live: LiveTrace | None = None
        self._followed: Followed | None = None
        self._cranking_from_s = 0.0
        self._before: Judged | None = None  # the answer before the one that stands there
        self._latest: Judged | None = None
        self.raw: Capture | None = None  # the last capture as it came, before the probe's scale
        self.waiting: SessionPlan | None = None  # opened when the checklist is done
        self.page = Page(self)
        self.pile = Pile(self, self.act, paper)
        self.page.check.done.connect(self._checked)
        self.page.buttons.pressed.connect(self.act)
        self.page.use_paper(paper)
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self.page.show_standing(self.now)

    def show_standing(self) -> None:
        """Say and show where the window stands, and tell whoever follows it."""
        self.page.show_standing(self.now)
        self.stood.emit()

    def act(self, action: str) -> None:
        """Do what a button asks for."""
        raise NotImplementedError

    def begin(self, plan: SessionPlan, checks: tuple[str, ...] = (), *, checked: bool = False) -> None:
        """Watch what a plan says; where there is a checklist, its board is not opened before that is done."""
        self.pile.clear()
        if not checks or checked:
            self.watch(Session(plan))
            self.page.ask(checks, shown=False)
            return
        self.let_go()
        self.now, self.waiting = Standing(live=plan.live, title=plan.title), plan
        self.page.ask(checks, waits=True)
        self.show_standing()

    def use_job(self, job: Job) -> None:
        """Let captures from now on carry another job; an armed board is opened anew for that."""
        if self.waiting is not None:
            self.waiting = replace(self.waiting, job=job)
        if self.session is not None:
            self.session.plan = replace(self.session.plan, job=job)
            if self.now.live and self.now.stage in (Phase.FILLING, Phase.ARMED):
                self.session.rest()
                self.session.arm()
                self.take(Readying(live=True))

    def watch(self, session: Session) -> None:
        """Watch a source in place of any other."""
        self.let_go()
        self.now, self.session = Standing(live=session.plan.live, title=session.plan.title), session
        session.start()
        self._ticked_s = None
        self._timer.start(FRAME_MS)
        self.show_standing()

    def let_go(self) -> None:
        """Stop watching, and show nothing of it any more."""
        self._timer.stop()
        session, self.session = self.session, None
        self._live = self._followed = self.waiting = self.raw = None
        self.now = Standing()
        self.page.forget()
        self.stood.emit()
        if session is not None:
            session.close()

    def tick(self) -> None:
        """Take the news and the newest samples; called at every frame."""
        if self.session is None:
            return
        self._look_at_clock(self.session)
        for news in self.session.news():
            self.take(news)
        self._follow(self.session.followed)

    def _look_at_clock(self, session: Session) -> None:
        """Open the board anew after the computer slept: what it sent meanwhile is lost, and it may be gone."""
        now_s, before_s = self.clock(), self._ticked_s
        self._ticked_s = now_s
        if self.now.live and before_s is not None and now_s - before_s > SLEPT_S and self.now.stage in STREAMING:
            session.rest()
            session.arm()
            self.take(Readying(live=True))
            self.take(Told(say("window.slept")))

    def take(self, news: News) -> None:
        """Take one piece of news."""
        before = self.now
        self.now = after(self.now, news)
        if isinstance(news, Opened):
            self._live = None
        if isinstance(news, Caught):
            self.raw = news.capture
        if self.now.stage not in STREAMING and before.stage in STREAMING:
            self.page.strip.show_nothing()  # what a board sent that is gone is not what it sends
        if isinstance(news, Answered) and self.now.judged is news.judged and news.judged.result.verdict != "none":
            same = self._latest is not None and self._latest.result.engine == news.judged.result.engine
            self._before, self._latest = self._latest if same else None, news.judged
            self.page.compares = self._before is not None
        if self.now.phase is Phase.CRANKING and before.phase is not Phase.CRANKING:
            self._cranking_from_s = float(getattr(news, "seconds", 0.0))
            self.page.check.hide()
        tone = told_by_tone(before, self.now)
        if tone is not None:
            self.sink.sound(tone)
        self.show_standing()

    def _follow(self, followed: Followed | None) -> None:
        """Draw the newest samples of the stream."""
        if followed is None:
            return
        if self._live is None or followed is not self._followed:
            self._live, self._followed = LiveTrace(followed.ring, followed.channels, followed.rate_hz), followed
        if not self._live.look():
            return
        if self.now.stage in RUNNING:
            self._pass(self._live.end_s - self._cranking_from_s)
        lines = tuple(self._live.line(k) for k in range(len(followed.channels)))
        self.page.strip.show_live(lines, tuple(channel for _, channel in followed.channels), SHOWN_S)

    def _pass(self, cranked_s: float) -> None:
        """Let the starter have run so long, and say so when it is enough."""
        now = after(self.now, Passing(cranked_s))
        if now.phase is self.now.phase:
            self.now = now
        else:
            self.take(Passing(cranked_s))

    def _checked(self) -> None:
        """Open the board when its checklist is done; go back to the start where it was left."""
        plan, done = self.waiting, self.page.check.list.complete
        self.page.check.hide()
        self.page.waits, self.waiting = False, None
        if plan is None:
            self.page.show_standing(self.now)
        elif done:
            self.watch(Session(plan))
        else:
            self.asked.emit("start")
