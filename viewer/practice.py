"""Virtual engines with hidden faults: what is drawn by lot, the page to look at, and whether an answer is right."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.picture import HEIGHT, MARGIN, WIDTH, Box, Scene, Words, draw_strip, look, strip_of
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.analysis import Capture, CrankingTrace, Engine

ENGINES = {"pump": ("1-3-4-2", ""), "launch": ("1-5-3-6-2-4", ""), "eight": ("1-8-4-3-6-5-7-2", ""),
           "vee": ("1-6-5-4-3-2", "90-150")}
"""Virtual engines worth practising on: firing order and intervals."""

EVEN_SHARE = 0.3  # of the engines are healthy
DEAD_SHARE = 0.4  # of the faults leave nothing
LOW_PERCENT = (25, 65)  # what the other faults leave
STRIP = Box(MARGIN, 176.0, WIDTH - 2 * MARGIN, HEIGHT - 260.0)


@dataclass(frozen=True)
class Riddle:
    """One engine drawn by lot.

    Parameters
    ----------
    kind, order, intervals
        Which virtual engine, and what the analysis is told of it.
    cylinder
        The one that is down, None when all are healthy.
    percent
        What is left of its pressure; 0 for dead.
    seed
        Of the virtual engine.
    """

    kind: str
    order: str
    intervals: str
    cylinder: int | None
    percent: int
    seed: int

    @property
    def settings(self) -> dict[str, str]:
        """Settings of the virtual board."""
        common = {"engine": self.kind, "pace": "flat", "quiet": "1", "crank": "4", "after": "0.4", "rate": "2000",
                  "sync": "single-spark", "sync-angle": "0", "seed": str(self.seed)}
        if self.cylinder is None:
            return common
        fault = {"dead": str(self.cylinder)} if not self.percent else {"low": f"{self.cylinder}:{self.percent}"}
        return common | fault

    @property
    def answer(self) -> int:
        """The cylinder that is down, 0 for none."""
        return self.cylinder or 0


def draw_riddle(lot: random.Random) -> Riddle:
    """Return an engine drawn by lot."""
    kind = lot.choice(sorted(ENGINES))
    order, intervals = ENGINES[kind]
    cylinder: int | None = lot.choice([int(c) for c in order.split("-")])
    percent = 0 if lot.random() < DEAD_SHARE else lot.randint(*LOW_PERCENT)
    if lot.random() < EVEN_SHARE:
        cylinder, percent = None, 100
    return Riddle(kind, order, intervals, cylinder, percent, lot.randrange(1, 10_000))


def truth_text(riddle: Riddle) -> str:
    """Return what was hidden."""
    if riddle.cylinder is None:
        return say("practice.truth_even")
    key = "practice.truth_dead" if riddle.percent == 0 else "practice.truth_low"
    return say(key, cylinder=riddle.cylinder, percent=riddle.percent)


def lesson(riddle: Riddle) -> str:
    """Return what this engine teaches."""
    if riddle.cylinder is None:
        return say("practice.lesson_even")
    return say("practice.lesson_dead" if riddle.percent == 0 else "practice.lesson_low")


def riddle_scene(capture: Capture, engine: Engine, trace: CrankingTrace, *, marks_s: tuple[float, ...], title: str,
                 paper: look.Paper = look.LIGHT) -> Scene:
    """Return the strip alone, with the marks of one cylinder and nothing that tells the answer."""
    from crankfold.analysis import Result

    bare = Result("none", engine, trace=trace)
    scene = Scene(WIDTH, HEIGHT, paper.paper, title=say("practice.picture"))
    scene.add(Words(MARGIN, 80.0, say("practice.picture"), 56.0, paper.ink, face="serif"))
    scene.add(Words(MARGIN, 122.0, title, 22.0, paper.ink))
    scene.add(draw_strip(strip_of(bare, capture, marks_s), bare, STRIP, paper))
    note = say("practice.marks", cylinder=engine.firing_order[0])
    scene.add(Words(MARGIN, HEIGHT - 40.0, note, 20.0, paper.plum))
    return scene
