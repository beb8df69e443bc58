"""The cam sensor's angle learnt from the crank that stands on the screen, and kept on an engine card."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject

from crankfold.analysis import CrankfoldError
from crankfold.viewer.session import cam_channels, cam_lines, learnt_cam, sentence
from crankfold.viewer.window.pages import ChoosingPage, Option
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.analysis import CamAngle
    from crankfold.viewer.session import Judged
    from crankfold.viewer.window.desk import Desk

MOST_CARDS = 11  # saved engines on one page


class CamLesson(QObject):
    """Learns the angle, says how sure it is, and keeps it."""

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.desk, self.page = desk, ChoosingPage()
        self.found: CamAngle | None = None

    @property
    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons of this page do, besides the cards that name a channel or an engine."""
        return {"cam": self._ask}

    def chosen(self, kind: str, name: str) -> bool:
        """Return whether a card was one of this page's, and do what it says."""
        if kind == "cam_on":
            self._learn(name)
        elif kind == "cam_for":
            self._keep(name)
        return kind in ("cam_on", "cam_for")

    def _ask(self) -> None:
        judged = self.desk.window.now.judged
        if judged is None:
            return
        self.desk.window.pile.push(self.page)
        channels = cam_channels(judged)
        if len(channels) > 1:
            self.page.tell(say("window.cam.which"))
            self.page.choose(tuple(Option(f"cam_on:{name}", name) for name in channels))
        else:
            self._learn("")

    def _learn(self, channel: str) -> None:
        judged = self.desk.window.now.judged
        if judged is None:
            return
        try:
            self.found = learnt_cam(judged, channel)
        except CrankfoldError as error:
            self.page.tell(say("window.cam.unknown"), sentence(str(error), ""), alarm=True)
            self.page.choose(())
            return
        first, *rest = cam_lines(self.found)
        cards = self._cards(judged)
        self.page.tell(say("window.cam.heading", edge_deg=self.found.edge_deg), " ".join((first, *rest)),
                       say("window.cam.keep" if cards else "window.cam.no_card"))
        self.page.choose(cards)

    def _cards(self, judged: Judged) -> tuple[Option, ...]:
        """Return a card for each saved engine of this firing order."""
        options, shelf = [], self.desk.shelf
        for name in shelf.engines():
            try:
                card = shelf.engine(name)
            except CrankfoldError:  # a card that was spoilt by hand keeps nothing
                continue
            if card.engine().firing_order == judged.result.engine.firing_order:
                cylinder, _, degrees = card.cam.partition("@")
                known = say("window.cam.known", cylinder=cylinder, degrees=degrees) if card.cam else card.firing_order
                options.append(Option(f"cam_for:{name}", name, known))
        return tuple(options[:MOST_CARDS])

    def _keep(self, name: str) -> None:
        if self.found is None:
            return
        try:
            self.desk.shelf.save(name, replace(self.desk.shelf.engine(name), cam=self.found.text))
        except CrankfoldError as error:
            self.desk.fail(error)
            return
        self.page.tell(say("window.cam.kept", name=name), say("window.cam.next"))
        self.page.choose((Option("set_up", say("window.start.set_up"), say("window.start.set_up_text")),))
