"""A virtual engine with a hidden fault: its strip, and a card for each cylinder that may be the one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import Box, Item, draw_strip, strip_of
from crankfold.viewer.window.pages.choosing import ChoosingPage, Option
from crankfold.viewer.window.placing import GAP, put, upright
from crankfold.viewer.window.views import View
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.analysis import Capture, Result
    from crankfold.viewer.practice import Riddle

STRIP_SHARE = 0.62  # of the height, above the cards
MOST_IN_ROW, MOST_UPRIGHT = 9, 5


class BareStrip(View):
    """A strip with the sync pulses of one cylinder, and nothing that tells the answer."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.shown: tuple[Result, Capture] | None = None
        self.title_room = 1.0

    def items(self, box: Box) -> list[Item]:
        """Return the strip's items."""
        from crankfold.analysis import Result

        if self.shown is None:
            return []
        result, capture = self.shown
        bare = Result("none", result.engine, trace=result.trace)
        return draw_strip(strip_of(bare, capture, result.sync_pulses_s), bare, box, self.paper)


class RiddlePage(ChoosingPage):
    """Asks which cylinder is down; the answer comes as ``guess-N``, 0 for none."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.strip = BareStrip(self)
        self.riddle: Riddle | None = None
        self.headline = ""

    def show_riddle(self, riddle: Riddle, result: Result, capture: Capture, headline: str) -> None:
        """Ask about an engine; `headline` is what the analysis says of it."""
        self.riddle, self.headline = riddle, headline
        self.strip.shown = result, capture
        self.tell(say("practice.picture"), say(f"practice.name.{riddle.kind}"),
                  say("practice.marks", cylinder=result.engine.firing_order[0]))
        numbers = sorted(int(part) for part in riddle.order.split("-"))
        self.choose((*(Option(f"guess-{n}", str(n)) for n in numbers), Option("guess-0", say("window.riddle.none"))))

    def views(self) -> tuple[View, ...]:
        """Return the strip."""
        return (self.strip,)

    def act(self, action: str) -> None:
        """Say whether the answer was right."""
        if not action.startswith("guess-") or self.riddle is None:
            super().act(action)
            return
        from crankfold.viewer.practice import lesson, truth_text

        right = int(action.removeprefix("guess-")) == self.riddle.answer
        self.tell(say("practice.right" if right else "practice.wrong"),
                  f"{truth_text(self.riddle)} {lesson(self.riddle)}", say("practice.tool_says", headline=self.headline))
        self.choose((), "riddle", "back")

    def place(self, box: Box) -> None:
        """Lay the cards out in rows below the strip."""
        count = len(self.cards)
        across = MOST_UPRIGHT if upright(self) else MOST_IN_ROW
        rows = -(-count // across)
        top = box.top + (STRIP_SHARE * box.height if rows else box.height)
        put(self.strip, self.unit, Box(box.left, box.top, box.width, top - box.top - (GAP if rows else 0.0)))
        wide = (box.width - (min(across, max(count, 1)) - 1) * GAP) / min(across, max(count, 1))
        tall = min(120.0, (box.bottom - top - (rows - 1) * GAP) / max(rows, 1))
        for k, card in enumerate(self.cards.values()):
            card.paper, card.unit, card.first = self.paper, self.unit, False
            put(card, self.unit, Box(box.left + (k % across) * (wide + GAP), top + (k // across) * (tall + GAP), wide,
                                     tall))
            card.update()
