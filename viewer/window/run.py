"""The window started: one Qt application, until it is closed."""

from __future__ import annotations

import signal
import sys
from typing import TYPE_CHECKING

from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from crankfold.acquire import Shelf
from crankfold.viewer.picture import look
from crankfold.viewer.session import Session
from crankfold.viewer.window.asking import NOTHING, wanted_of
from crankfold.viewer.window.main_window import Window
from crankfold.viewer.window.painting import load_fonts
from crankfold.viewer.window.placing import TALL, WIDE
from crankfold.viewer.window.set_up_view import SetUpView
from crankfold.viewer.window.sounding import Silence, best_sink

if TYPE_CHECKING:
    from pathlib import Path

    from crankfold.acquire import Plugins
    from crankfold.viewer.session import SessionPlan

PAPERS = {"light": look.LIGHT, "dark": look.DARK}


def application() -> QApplication:
    """Return the one Qt application, its fonts loaded."""
    found = QApplication.instance()
    made = found if isinstance(found, QApplication) else QApplication(sys.argv[:1])
    made.setApplicationName("crankfold")
    load_fonts()
    return made


def run_window(wanted: SessionPlan | None, *, paper: str, full_screen: bool, silent: bool, checks: tuple[str, ...],
               plugins: Plugins, checked: bool = False, folder: Path | None = None) -> int:
    """Show the window until it is closed, and return 0.

    Parameters
    ----------
    wanted
        What to watch; None: ask for it first.
    paper
        ``light`` or ``dark``.
    full_screen, silent
        How it begins.
    checks
        The checklist to begin with, empty: none.
    plugins
        Whose boards are looked for in a setting up.
    checked
        Whether it is done.
    folder
        Where cranks are kept that are caught after a setting up.
    """
    made = application()
    window = Window(Silence() if silent else best_sink(), PAPERS[paper])
    window.use_set_up(_set_up_of(window, folder, plugins))
    size = QGuiApplication.primaryScreen().availableSize()
    window.resize(min(int(WIDE), size.width()), min(int(TALL), size.height()))
    if full_screen:
        window.showFullScreen()
    else:
        window.show()
    if wanted is None:
        window.begin_set_up()
    else:
        begin(window, wanted, checks, checked=checked)
    signal.signal(signal.SIGINT, lambda *_: window.close())
    made.exec()
    window.let_go()
    return 0


def begin(window: Window, wanted: SessionPlan, checks: tuple[str, ...], *, checked: bool = False) -> None:
    """Watch a source in the window, and ask for the checklist first where there is one and it is not done."""
    window.watch(Session(wanted))
    if checks:
        window.page.ask(checks, shown=not checked)


def _set_up_of(window: Window, folder: Path | None, plugins: Plugins) -> SetUpView:
    """Return the pages for setting up, which begin with the rig and the engine card that they keep."""
    view = SetUpView(Shelf(), plugins)

    def kept(rig: str, engine: str) -> None:
        wanted, checks = wanted_of(None, None, {}, {**NOTHING, "rig": rig, "engine": engine}, plugins, folder)
        window.leave_set_up()
        if wanted is not None:
            begin(window, wanted, checks)

    view.kept.connect(kept)
    return view
