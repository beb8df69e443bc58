"""Practice inside the window: a whole test on a virtual engine, sample captures, and engines to guess."""

from __future__ import annotations

import random
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject

from crankfold.viewer.window.asking import NOTHING
from crankfold.viewer.window.pages import ChoosingPage, Option, RiddlePage
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire import Plugins
    from crankfold.analysis import Capture, Result
    from crankfold.viewer.practice import Riddle
    from crankfold.viewer.session import SessionPlan
    from crankfold.viewer.window.desk import Desk

BOARD, ORDER, SYNC = "virtual", "1-3-4-2", "waste-spark:1"
COMMON = {"engine": "pump", "firing-order": ORDER, "sync": "waste-spark", "rate": "5000"}
LIVE = {**COMMON, "pace": "real", "quiet": "4", "crank": "5", "cranks": "3", "rest": "20", "after": "3", "dead": "3"}
SAMPLES = {"sample_none": {"dead": "3"}, "sample_low": {"low": "2:55"}, "sample_even": {}}
"""Sample captures, by the wording's key: what is wrong with each."""


class Training(QObject):
    """Leads through practice."""

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.desk = desk
        self.page, self.riddle = ChoosingPage(), RiddlePage()
        self.lot = random.Random()

    @property
    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons of these pages do."""
        samples = {name: partial(self._sample, name) for name in SAMPLES}
        return {"practise": self._show, "tutorial": self._tutorial, "riddle": self._ask, **samples}

    def _show(self) -> None:
        self.page.tell(say("window.practise.heading"), say("window.practise.advice"))
        self.page.choose(tuple(Option(name, say(f"window.practise.{name}"), say(f"window.practise.{name}_text"))
                               for name in ("tutorial", *SAMPLES, "riddle")))
        self.desk.window.pile.push(self.page)

    def _tutorial(self) -> None:
        from crankfold.viewer.window.asking import wanted_of

        options = {**NOTHING, "firing_order": ORDER, "sync": SYNC, "engine_name": say("demo.name")}
        plan, checks = wanted_of(None, BOARD, LIVE, options, self.desk.plugins)
        if plan is not None:
            self.desk.window.begin(plan, checks)

    def _sample(self, name: str) -> None:
        self.desk.window.begin(sample_plan(name, self.desk.plugins))

    def _ask(self) -> None:
        from crankfold.viewer.practice import draw_riddle

        riddle = draw_riddle(self.lot)
        if self.desk.window.pile.top is not self.riddle:
            self.riddle.tell(say("practice.picture"))
            self.riddle.choose(())
            self.desk.window.pile.push(self.riddle)
        self.desk.errand(say("window.practise.cranking"), partial(_crank, riddle, self.desk.plugins), self._show_riddle)

    def _show_riddle(self, found: tuple[Riddle, Result, Capture]) -> None:
        from crankfold.viewer.words import headline

        riddle, result, capture = found
        self.riddle.show_riddle(riddle, result, capture, headline(result))


def sample_plan(name: str, plugins: Plugins) -> SessionPlan:
    """Return what to watch for a sample: a recording of a virtual engine, made in a moment."""
    from crankfold.acquire import open_board
    from crankfold.viewer.session import SessionPlan, question_of

    question = question_of({**NOTHING, "firing_order": ORDER, "sync": SYNC, "engine_name": say("demo.name")})
    settings = {**COMMON, "pace": "flat", "quiet": "1", "crank": "5", "after": "0.5", **SAMPLES[name]}
    return SessionPlan(partial(open_board, BOARD, settings, plugins), question, live=False,
                       title=say(f"window.practise.{name}"), settings=settings)


def _crank(riddle: Riddle, plugins: Plugins) -> tuple[Riddle, Result, Capture]:
    from crankfold.acquire import open_board, record
    from crankfold.analysis import Engine, SyncSpec, analyse
    from crankfold.viewer.session import longest

    engine = Engine.parse(riddle.order, riddle.intervals or None)
    capture, _ = longest(record(open_board(BOARD, riddle.settings, plugins)), BOARD)
    return riddle, analyse(capture, engine, sync=SyncSpec("single-spark", engine.firing_order[0])), capture
