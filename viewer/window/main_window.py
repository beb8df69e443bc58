"""The window itself: takes the news, lays the views out, obeys the keys."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from PySide6.QtCore import QRect, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeyEvent, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QWidget

from crankfold.viewer.picture import look
from crankfold.viewer.sentences import answer, safety
from crankfold.viewer.window.check_view import CheckView
from crankfold.viewer.window.head import Foot, Head
from crankfold.viewer.window.keys import help_lines, keys_for, line_of
from crankfold.viewer.window.live import SHOWN_S, LiveTrace
from crankfold.viewer.window.news import Dismissed, Opened, Passing
from crankfold.viewer.window.painting import colour_of
from crankfold.viewer.window.state import VERDICTS, Phase, Standing, after, spoken
from crankfold.viewer.window.strip_window import ZOOM
from crankfold.viewer.window.tones import told_by_tone
from crankfold.viewer.window.views import FoldView, JudgedView, StripView, View, WheelView, WordsView
from crankfold.viewer.wording import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.recorder import Recorder
    from crankfold.viewer.picture.look import Paper
    from crankfold.viewer.window.news import News
    from crankfold.viewer.window.tones import Sink
    from crankfold.viewer.window.watching import Watching

WIDE, TALL = 1280.0, 720.0  # scene units of the smallest window
MARGIN, HEAD, FOOT, GAP = 24.0, 176.0, 30.0, 12.0
RIGHT_SHARE = 0.335  # of the width, for wheel and words
WORDS_SHARE = 0.33  # of the right column, below the wheel
STRIP_SHARE = 0.47  # of the left column, above the fold
FRAME_MS = 33
STARTER_RUNS = (Phase.CRANKING, Phase.ENOUGH, Phase.REST)
BARE = (*STARTER_RUNS, Phase.READYING, Phase.READING, Phase.JUDGING)


class Window(QWidget):
    """The window.

    Parameters
    ----------
    sink
        Where tones go.
    paper
        Light or dark.
    """

    def __init__(self, sink: Sink, paper: Paper = look.LIGHT) -> None:
        super().__init__()
        self.setWindowTitle(say("window.title"))
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.sink, self.paper = sink, paper
        self.now = Standing()
        self.on_set_up: Callable[[], None] | None = None
        self.watching: Watching | None = None
        self._live: LiveTrace | None = None
        self._followed: Recorder | None = None
        self._cranking_from_s = 0.0
        self._heard: Phase | None = None
        self.head, self.foot = Head(self), Foot(self)
        self.strip, self.fold, self.wheel = StripView(self), FoldView(self), WheelView(self)
        self.words, self.help, self.check = WordsView(self), WordsView(self), CheckView(self)
        self.help.hide()
        self.check.hide()
        self.check.done.connect(self._checked)
        for view in self.judged_views:
            view.lit_wanted.connect(self.light)
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self.use_paper(paper)
        self.refresh()

    @property
    def judged_views(self) -> tuple[JudgedView, ...]:
        """The three views in which a cylinder can be lit."""
        return self.strip, self.fold, self.wheel

    @property
    def views(self) -> tuple[View, ...]:
        """Every view."""
        return (self.head, self.foot, self.strip, self.fold, self.wheel, self.words, self.help, self.check)

    def watch(self, watching: Watching) -> None:
        """Watch a source in place of any other."""
        self.let_go()
        self.now, self.watching = Standing(live=watching.wanted.live, title=watching.wanted.title), watching
        watching.start()
        self._timer.start(FRAME_MS)
        self.refresh()

    def let_go(self) -> None:
        """Stop watching."""
        self._timer.stop()
        watching, self.watching = self.watching, None
        self._live = self._followed = None
        if watching is not None:
            watching.close()

    def ask(self, lines: tuple[str, ...]) -> None:
        """Show the checklist before cranking."""
        self.check.begin(lines)
        self.check.show()
        self.check.raise_()
        self.refresh()

    def _checked(self) -> None:
        self.check.hide()
        self.refresh()

    def tick(self) -> None:
        """Take the news and the newest samples; called at every frame."""
        if self.watching is None:
            return
        for news in self.watching.news():
            self.take(news)
        self._follow()

    def take(self, news: News) -> None:
        """Take one piece of news."""
        before = self.now.phase
        self.now = after(self.now, news)
        if isinstance(news, Opened):
            self._live = None
        phase = self.now.phase
        if phase is Phase.CRANKING and before is not Phase.CRANKING:
            self._cranking_from_s = float(getattr(news, "seconds", 0.0))
            self.check.hide()
        tone = told_by_tone(before, phase)
        if tone is not None:
            self.sink.sound(tone)
        self.refresh()

    def _follow(self) -> None:
        """Draw the newest samples of the stream."""
        recorder = None if self.watching is None else self.watching.recorder
        source = None if self.watching is None else self.watching.source
        if recorder is None or source is None:
            return
        if self._live is None or recorder is not self._followed:
            info = source.info
            self._live, self._followed = LiveTrace(recorder.ring, info.channels, info.rate_hz), recorder
        live = self._live
        try:
            new = live.look()
        except Exception:  # the ring's end carries the stream's error, which comes as news too
            return
        if not new:
            return
        if self.now.stage in STARTER_RUNS:
            self.now = self._pass(live.end_s - self._cranking_from_s)
        channels = source.info.channels
        lines = tuple(live.line(k) for k in range(min(2, len(channels))))
        self.strip.show_live(lines, channels[0].unit, SHOWN_S)

    def _pass(self, cranked_s: float) -> Standing:
        """Return the standing after the starter has run on, and say so when it is enough."""
        before = self.now.phase
        self.now = after(self.now, Passing(cranked_s))
        if self.now.phase is not before:
            self.sink.sound(self.now.phase)
            self.refresh()
        return self.now

    def refresh(self) -> None:
        """Say and show what the window is about now."""
        now, phase = self.now, self.now.phase
        self.head.say_(spoken(now))
        judged = now.judged if phase in (*VERDICTS, Phase.LOST) else None
        if judged is not self.strip.judged:
            for view in self.judged_views:
                view.light(None)
                view.show_judged(judged)
        self._say_words()
        self.foot.tell(line_of(keys_for(now, checking=self.check.isVisible())))
        self.arrange()

    def _say_words(self) -> None:
        now, phase = self.now, self.now.phase
        if now.judged is not None and phase in (*VERDICTS, Phase.LOST):
            told = answer(now.judged.result)
            if phase is Phase.REFUSED or not told.next:
                self.words.tell(say("reason.heading"), (*told.reasons, *told.cautions, *told.found))
            else:
                self.words.tell("", (*told.cautions, *told.next[1:], told.blind[0]))
        elif phase in (Phase.REFUSED, Phase.NO_BOARD, Phase.LOST):
            self.words.tell(say("window.help_heading"), tuple(say(f"window.look.{key}") for key in (
                "cable", "listed", "program")) if phase is not Phase.REFUSED else (now.failure,))
        else:
            self.words.tell(say("safety.heading"), safety())

    def arrange(self) -> None:
        """Lay the views out."""
        unit = max(0.2, min(self.width() / WIDE, self.height() / TALL))
        for view in self.views:
            view.unit = unit
        wide, tall = self.width() / unit, self.height() / unit
        room = wide - 2 * MARGIN
        self._put(self.head, MARGIN, 0.0, room, HEAD)
        self._put(self.foot, MARGIN, tall - FOOT, room, FOOT)
        top, high = HEAD, tall - HEAD - FOOT - GAP
        self._put(self.check, MARGIN, top, room, high)
        self._put(self.help, MARGIN, top, room, high)
        self._arrange_body(MARGIN, top, room, high)

    def _arrange_body(self, left: float, top: float, room: float, high: float) -> None:
        judged = self.strip.judged is not None
        both = judged and self.fold.data is not None and self.wheel.data is not None
        phase = self.now.phase
        bare = phase in BARE or not (judged or phase in (Phase.FILLING, Phase.ARMED, Phase.NO_BOARD, Phase.LOST,
                                                         Phase.REFUSED, Phase.OVER))
        right = 0.0 if bare else RIGHT_SHARE * room
        main = room - right - (GAP * 1.5 if right else 0.0)
        strip_high = high if not both else STRIP_SHARE * high
        self._put(self.strip, left, top, main, strip_high)
        self.fold.setVisible(both)
        self.wheel.setVisible(both)
        self.words.setVisible(bool(right))
        if both:
            self._put(self.fold, left, top + strip_high + GAP * 0.5, main, high - strip_high - GAP * 0.5)
            words = WORDS_SHARE * high
            self._put(self.wheel, left + room - right, top, right, high - words)
            self._put(self.words, left + room - right, top + high - words - GAP, right, words + GAP)
        elif right:
            self._put(self.words, left + room - right, top, right, high)

    def _put(self, view: View, left: float, top: float, wide: float, high: float) -> None:
        unit = view.unit
        view.setGeometry(QRect(round(left * unit), round(top * unit), round(wide * unit), round(high * unit)))

    def use_paper(self, paper: Paper) -> None:
        """Change to light or dark paper."""
        self.paper = paper
        for view in self.views:
            view.paper = paper
            view.redraw()
        self.update()

    def light(self, position: int | None) -> None:
        """Bring out one cylinder in all three views, or none; the same again takes it back."""
        wanted = None if position == self.strip.lit else position
        for view in self.judged_views:
            view.light(wanted)

    def _light_number(self, number: int) -> None:
        """Bring out the cylinder of a number, or where they have none that place of the firing order."""
        if self.now.judged is None:
            return
        for cylinder in self.now.judged.result.cylinders:
            if number == (cylinder.position if cylinder.cylinder is None else cylinder.cylinder):
                self.light(cylinder.position)

    def _light_next(self, step: int) -> None:
        count = 0 if self.now.judged is None else len(self.now.judged.result.cylinders)
        if count:
            at = self.strip.lit or (0 if step > 0 else 1)
            self.light((at - 1 + step) % count + 1)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Do what a key asks for."""
        key, text = event.key(), event.text()
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        if self.help.isVisible() and key in (Qt.Key.Key_Escape, Qt.Key.Key_H, Qt.Key.Key_F1):
            self.help.hide()
        elif self.check.isVisible() and self.check.key(key):
            self.refresh()
        elif not (self._general(key) or self._in_strip(key, text, shift=shift)):
            if text.isdigit() and text != "0":
                self._light_number(int(text))
            else:
                super().keyPressEvent(event)

    def _general(self, key: int) -> bool:
        """Return whether a key was one that always works."""
        actions: dict[int, Callable[[], object]] = {
            Qt.Key.Key_Q: self.close, Qt.Key.Key_P: self._turn_paper, Qt.Key.Key_H: self._show_help,
            Qt.Key.Key_F1: self._show_help, Qt.Key.Key_F: self._full, Qt.Key.Key_F11: self._full,
            Qt.Key.Key_R: self._retry, Qt.Key.Key_Space: self._dismiss, Qt.Key.Key_C: self._check_again,
            Qt.Key.Key_S: self._set_up, Qt.Key.Key_T: self._sound_again,
        }
        action = actions.get(key)
        if action is not None:
            action()
        return action is not None

    def _in_strip(self, key: int, text: str, *, shift: bool) -> bool:
        """Return whether a key was one for looking at a judged capture."""
        if key in (Qt.Key.Key_Tab, Qt.Key.Key_Backtab):
            self._light_next(-1 if key == Qt.Key.Key_Backtab else 1)
            return True
        window = self.strip.window_
        if window is None:
            return False
        fine = 0.1 if shift else 1.0
        steps = {Qt.Key.Key_Left: -fine, Qt.Key.Key_Right: fine, Qt.Key.Key_PageUp: -9.0, Qt.Key.Key_PageDown: 9.0}
        if key in steps:
            self.strip.look_at(window.stepped(steps[Qt.Key(key)]))
        elif text in ("+", "=", "-") or key in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            closer = text in ("+", "=") or key == Qt.Key.Key_Up
            self.strip.look_at(window.zoomed(ZOOM if closer else 1.0 / ZOOM))
        elif key == Qt.Key.Key_Home:
            self.strip.look_at(window.entire())
        elif key == Qt.Key.Key_M:
            self.strip.look_at(window.next_mark())
        elif key == Qt.Key.Key_Escape:
            self.strip.look_at(window.unmarked())
            self.light(None)
        else:
            return False
        return True

    def _turn_paper(self) -> None:
        self.use_paper(look.DARK if self.paper is look.LIGHT else look.LIGHT)

    def _show_help(self) -> None:
        self.help.tell(say("window.keys_heading"), help_lines(self.now))
        self.help.show()
        self.help.raise_()

    def _full(self) -> None:
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)

    def _retry(self) -> None:
        if self.watching is not None:
            self.watching.retry()

    def _dismiss(self) -> None:
        self.take(Dismissed())

    def _check_again(self) -> None:
        if self.check.lines:
            self.ask(self.check.lines)

    def _sound_again(self) -> None:
        with suppress(KeyError):
            self.sink.sound(self.now.phase)

    def _set_up(self) -> None:
        if self.on_set_up is not None:
            self.on_set_up()

    def focusNextPrevChild(self, next: bool) -> bool:
        """Keep the tabulator for ourselves: it goes through the cylinders."""
        del next
        return False

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Lay out anew."""
        super().resizeEvent(event)
        self.arrange()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Paint the paper."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), colour_of(self.paper.paper))
        painter.end()

    def closeEvent(self, event: QCloseEvent) -> None:
        """Let go of the board."""
        self.let_go()
        event.accept()
