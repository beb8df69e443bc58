"""The window on a phone: the page served while the window is open, its code to scan, and what the phone asks for."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from crankfold.analysis import CrankfoldError
from crankfold.viewer.session import Phase, Spoken
from crankfold.viewer.window.pages import BACK, Option, PhonePage
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.viewer.share import Shared, Sharing
    from crankfold.viewer.window.desk import Desk

NETWORK = "0.0.0.0"  # every network card: asked for by pressing the card that says so
CHOICES = ("phone_watch", "phone_control")


class Phone(QObject):
    """Serves the phone page, tells it where the window stands, and does what it asks for."""

    _wanted = Signal(str)

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.desk, self.page = desk, PhonePage()
        self.sharing: Sharing | None = None
        self._wanted.connect(self._do)
        desk.window.stood.connect(self._tell)
        desk.window.closing.connect(self.close)

    @property
    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons of this page do."""
        return {"phone": self.show, "phone_stop": self._stop,
                **{name: partial(self._begin, control=name == "phone_control") for name in CHOICES}}

    def serve(self, shared: Shared) -> None:
        """Serve the page.

        Raises
        ------
        InputError
            A library is missing, or it cannot be served there.
        """
        from crankfold.viewer.share import Sharing

        self.close()
        self.sharing = Sharing(shared.place, self._wanted.emit if shared.control else None)
        self._tell()

    def close(self) -> None:
        """Stop serving."""
        sharing, self.sharing = self.sharing, None
        if sharing is not None:
            sharing.close()

    def show(self) -> None:
        """Show the code, or ask what a phone may do where no page is served."""
        from crankfold.viewer.share import LOOPBACK, code_of

        if self.sharing is None:
            self.page.show_code((), "")
            self.page.tell(say("window.phone.heading"), say("window.phone.advice"), say("share.keep"))
            self.page.choose(tuple(Option(name, say(f"window.phone.{name}"), say(f"window.phone.{name}_text"))
                                   for name in CHOICES))
        else:
            address = self.sharing.address
            reach = "window.phone.only_here" if LOOPBACK in address else "share.keep"
            self.page.tell(say("window.phone.scan"), address, say(reach))
            self.page.show_code(code_of(address), address, BACK, "phone_stop")
        if self.desk.window.pile.top is not self.page:
            self.desk.window.pile.push(self.page)

    def _begin(self, *, control: bool) -> None:
        from crankfold.viewer.share import Place, Shared

        try:
            self.serve(Shared(Place(NETWORK), control))
        except CrankfoldError as error:
            self.desk.fail(error)
            return
        self.show()

    def _stop(self) -> None:
        self.close()
        self.show()

    def _tell(self) -> None:
        """Tell the page what the window says; that nothing is tested, or not yet, where the window says more of it."""
        if self.sharing is None:
            return
        window = self.desk.window
        idle = window.session is None and window.waiting is None and window.now.stage is Phase.READYING
        said = window.page.head.spoken
        if idle:
            said = Spoken(say("phone.idle"), say("phone.idle_advice"))
        elif window.page.waits:
            said = Spoken(said.headline, say("phone.checklist"))
        self.sharing.tell(window.now, said)

    def _do(self, action: str) -> None:
        """Do what a button of the page asks for, as the window's own button does."""
        self.desk.window.act(action)
