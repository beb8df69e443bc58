"""The page that is looked at while an engine is tested: sentence, strip, fold, wheel and words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtGui import QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QWidget

from crankfold.analysis import InputError
from crankfold.viewer.picture import Box, look
from crankfold.viewer.session import VERDICTS, Phase, Spoken, Standing, sentence, spoken
from crankfold.viewer.window.button_bar import ButtonBar
from crankfold.viewer.window.check_view import CheckView
from crankfold.viewer.window.comparison_view import ComparisonView
from crankfold.viewer.window.drawing_view import DrawingView
from crankfold.viewer.window.fold_view import FoldView
from crankfold.viewer.window.head import Head
from crankfold.viewer.window.keys import buttons_for
from crankfold.viewer.window.painting import colour_of
from crankfold.viewer.window.placing import BAR, GAP, HEAD, MARGIN, put, unit_of, upright
from crankfold.viewer.window.plots import StripView
from crankfold.viewer.window.views import TITLE, JudgedView, View, WheelView, WordsView
from crankfold.viewer.words import answer, safety, say, worded

if TYPE_CHECKING:
    from crankfold.viewer.picture import Paper
    from crankfold.viewer.session import Judged

RIGHT_SHARE = 0.36  # of the width, for wheel and words
WORDS_SHARE = 0.28  # of the right column, below the wheel
STRIP_SHARE = 0.47  # of the left column, above the fold
UPRIGHT_STRIP, UPRIGHT_FOLD = 0.3, 0.28  # of the height, upright; wheel and words share the rest
UPRIGHT_WHEEL = 0.56  # of the width
UPRIGHT_WORDS = 0.42  # of the height, for words where there is no wheel
WORDED = (Phase.FILLING, Phase.ARMED, Phase.NO_BOARD, Phase.LOST, Phase.REFUSED, Phase.OVER)
"""Phases in which a card of words stands beside a strip that fills the rest."""


def wide_places(whole: Box, *, both: bool, worded: bool) -> dict[str, Box]:
    """Return the boxes of the views by name, where the screen is wide.

    Parameters
    ----------
    whole
        What they share.
    both
        Whether fold and wheel are shown.
    worded
        Whether the card of words is.
    """
    right = RIGHT_SHARE * whole.width if worded else 0.0
    main = whole.width - right - (1.5 * GAP if worded else 0.0)
    strip = STRIP_SHARE * whole.height if both else whole.height
    words = WORDS_SHARE * (whole.height - TITLE) + GAP if both else whole.height
    side = whole.right - right
    return {"picture": Box(whole.left, whole.top + TITLE, main, whole.height - TITLE),
            "strip": Box(whole.left, whole.top, main, strip),
            "fold": Box(whole.left, whole.top + strip + 0.5 * GAP, main, whole.height - strip - 0.5 * GAP),
            "wheel": Box(side, whole.top, right, whole.height - words),
            "words": Box(side, whole.bottom - words, right, words)}


def upright_places(whole: Box, *, both: bool, worded: bool) -> dict[str, Box]:
    """Return the boxes of the views by name, where the screen is held upright; parameters as in `wide_places`."""
    if not both:
        low = UPRIGHT_WORDS * whole.height if worded else -GAP
        high = Box(whole.left, whole.top, whole.width, whole.height - low - GAP)
        rest = Box(whole.left, high.bottom + GAP, whole.width, max(low, 0.0))
        return {"picture": Box(high.left, high.top + TITLE, high.width, high.height - TITLE), "strip": high,
                "fold": high, "wheel": rest, "words": rest}
    strip = Box(whole.left, whole.top, whole.width, UPRIGHT_STRIP * whole.height)
    fold = Box(whole.left, strip.bottom + 0.5 * GAP, whole.width, UPRIGHT_FOLD * whole.height)
    top = fold.bottom + 0.5 * GAP
    wheel = Box(whole.left, top, UPRIGHT_WHEEL * whole.width, whole.bottom - top)
    return {"picture": strip, "strip": strip, "fold": fold, "wheel": wheel,
            "words": Box(wheel.right + GAP, top, whole.right - wheel.right - GAP, wheel.height)}


class Page(QWidget):
    """The page."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.paper = look.LIGHT
        self.now = Standing()
        self.head, self.buttons = Head(self), ButtonBar(self)
        self.compares = self.waits = False
        self.strip, self.fold, self.wheel = StripView(self), FoldView(self), WheelView(self)
        self.words, self.over = WordsView(self), WordsView(self)
        self.picture, self.check, self.comparison = DrawingView(self), CheckView(self), ComparisonView(self)
        self.over.title_room = self.check.title_room = 1.0  # they cover the titles of what they lie over
        for hidden in (self.over, self.check, self.comparison):
            hidden.hide()
        for view in self.judged_views:
            view.lit_wanted.connect(self.light)

    @property
    def judged_views(self) -> tuple[JudgedView, ...]:
        """The three views in which a cylinder can be lit."""
        return self.strip, self.fold, self.wheel

    @property
    def views(self) -> tuple[View, ...]:
        """Every view."""
        return (self.head, *self.judged_views, self.words, self.over, self.picture, self.check,
                self.comparison)

    def show_standing(self, now: Standing) -> None:
        """Say and show where the window stands."""
        self.now = now
        unread = Spoken(say("window.headline.unread"), say("window.advice.unread"))
        self.head.say_(unread if self.waits else spoken(now))
        judged = now.judged if now.phase in (*VERDICTS, Phase.LOST) else None
        if judged is not self.strip.judged:
            self.over.hide()
            self.comparison.hide()
            for view in self.judged_views:
                view.light(None)
                view.show_judged(judged)
        self._say_words()
        self.arrange()
        self.offer()

    def offer(self) -> None:
        """Show the buttons for what can be done now."""
        self.buttons.offer(buttons_for(self.now, checking=self.check.isVisible(), compares=self.compares,
                                       covered=self.covered, waits=self.waits, most=self.buttons.most()))

    @property
    def covered(self) -> bool:
        """Whether a card or the comparison lies over the page and is to be closed."""
        return self.over.isVisible() or self.comparison.isVisible()

    def uncover(self) -> None:
        """Take away what lies over the page."""
        self.over.hide()
        self.comparison.hide()
        self.offer()

    def forget(self) -> None:
        """Show nothing of what was watched."""
        self.compares = self.waits = False
        self.check.begin(())
        for view in (self.check, self.over, self.comparison):
            view.hide()
        self.strip.show_nothing()
        self.show_standing(Standing())

    def _say_words(self) -> None:
        now, phase = self.now, self.now.phase
        if phase in (Phase.NO_BOARD, Phase.LOST):
            self.words.tell(say("window.help_heading"), tuple(say(f"window.look.{key}") for key in (
                "cable", "listed", "program")))
        elif phase is Phase.REFUSED and now.judged is not None:
            told = answer(now.judged.result)
            self.words.tell(say("found.heading"), (*told.reasons[1:], *told.cautions, *told.found))
        elif phase in VERDICTS and now.judged is not None:
            told = answer(now.judged.result)
            self.words.tell("", (*told.cautions, *told.next[1:], told.blind[0]))
        else:
            lines = (*self.check.lines, say("safety.law")) if self.check.lines else safety()
            self.words.tell(say("safety.heading"), lines)

    def ask(self, lines: tuple[str, ...], *, shown: bool = True, waits: bool = False) -> None:
        """Take the checklist for this test, and show it before cranking; `waits`: the board is opened after it."""
        self.check.begin(lines)
        self.waits = waits
        self.check.setVisible(shown)
        self.check.raise_()
        self.show_standing(self.now)

    def show_over(self, heading: str, lines: tuple[str, ...]) -> None:
        """Lay a card of words over the views, or take the same one away."""
        if self.over.isVisible() and self.over.heading == heading:
            self.uncover()
            return
        self.over.columns = 1 if upright(self) else 2
        self.over.tell(heading, lines)
        self.over.show()
        self.over.raise_()
        self.offer()

    def compare(self, before: Judged | None) -> None:
        """Lay an earlier answer and this one on each other, or take that away; say why where it cannot be done."""
        after = self.now.judged
        if self.comparison.isVisible() or after is None:
            self.uncover()
            return
        if before is None:
            self.show_over(say("window.compare_heading"), (say("window.compare_none"),))
            return
        try:
            self.comparison.show_pair(before, after)
        except InputError as error:
            self.show_over(say("window.compare_heading"), (sentence(worded(error), ""),))
            return
        self.comparison.show()
        self.comparison.raise_()
        self.offer()

    def everything(self) -> tuple[str, ...]:
        """Return all that is said of the last answer."""
        if self.now.judged is None:
            return ()
        told = answer(self.now.judged.result)
        return (*told.reasons, *told.found, *told.sure, *told.notes, *told.cautions, *told.next, *told.blind)

    def light(self, position: int | None) -> None:
        """Bring out one cylinder in all three views, or none; the same again takes it back."""
        wanted = None if position == self.strip.lit else position
        for view in self.judged_views:
            view.light(wanted)

    def light_number(self, number: int) -> None:
        """Bring out the cylinder of a number, or where they have none that place of the firing order."""
        for cylinder in () if self.now.judged is None else self.now.judged.result.cylinders:
            if number == (cylinder.position if cylinder.cylinder is None else cylinder.cylinder):
                self.light(cylinder.position)

    def light_next(self, step: int) -> None:
        """Bring out the next cylinder of the firing order, or the one before."""
        count = 0 if self.now.judged is None else len(self.now.judged.result.cylinders)
        if count:
            at = self.strip.lit or (0 if step > 0 else 1)
            self.light((at - 1 + step) % count + 1)

    def use_paper(self, paper: Paper) -> None:
        """Change to light or dark paper."""
        self.paper = paper
        for view in self.views:
            view.paper = paper
            view.redraw()
        self.buttons.use_paper(paper)
        self.update()

    def arrange(self) -> None:
        """Lay the views out."""
        unit = unit_of(self)
        for view in self.views:
            view.unit = unit
        wide, tall = self.width() / unit, self.height() / unit
        foot = max(self.buttons.least_px() / unit, BAR) + GAP
        whole = Box(MARGIN, HEAD, wide - 2 * MARGIN, tall - HEAD - foot - GAP)
        put(self.head, unit, Box(MARGIN, 0.0, whole.width, HEAD))
        put(self.buttons, unit, Box(MARGIN, tall - foot, whole.width, foot - GAP))
        put(self.comparison, unit, Box(0.0, 0.0, wide, tall - foot - GAP))
        put(self.check, unit, whole)
        put(self.over, unit, whole)
        judged = self.strip.judged is not None
        both = judged and self.fold.data is not None and self.wheel.data is not None
        worded = judged or self.now.phase in WORDED
        drawn = self.now.phase is Phase.NO_BOARD
        for view, seen in ((self.fold, both), (self.wheel, both), (self.words, worded), (self.picture, drawn),
                           (self.strip, not drawn)):
            view.setVisible(seen)
        self.words.title_room = GAP if both else TITLE
        placed = upright_places if upright(self) else wide_places
        for name, box in placed(whole, both=both, worded=worded).items():
            put(getattr(self, name), unit, box)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self.arrange()
        self.offer()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the paper."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), colour_of(self.paper.paper))
        painter.end()
