"""The window started: one Qt application, until it is closed."""

from __future__ import annotations

import signal
import sys
from typing import TYPE_CHECKING, Any

from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from crankfold.acquire import Shelf
from crankfold.viewer.picture import look
from crankfold.viewer.window.asking import NOTHING
from crankfold.viewer.window.desk import Desk
from crankfold.viewer.window.main_window import Window
from crankfold.viewer.window.painting import load_fonts
from crankfold.viewer.window.placing import TALL, WIDE
from crankfold.viewer.window.sounding import Silence, best_sink

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from crankfold.acquire import Plugins
    from crankfold.viewer.session import SessionPlan
    from crankfold.viewer.share import Shared

PAPERS = {"light": look.LIGHT, "dark": look.DARK}


def application() -> QApplication:
    """Return the one Qt application, its fonts loaded."""
    found = QApplication.instance()
    made = found if isinstance(found, QApplication) else QApplication(sys.argv[:1])
    made.setApplicationName("crankfold")
    load_fonts()
    return made


def run_window(wanted: SessionPlan | None, *, paper: str, full_screen: bool, silent: bool, checks: tuple[str, ...],
               plugins: Plugins, checked: bool = False, folder: Path | None = None, ask: Path | None = None,
               options: Mapping[str, Any] = NOTHING, shared: Shared | None = None) -> int:
    """Show the window until it is closed, and return 0.

    Parameters
    ----------
    wanted
        What to watch; None: begin with the start page.
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
        Where captures are kept.
    ask
        A file whose engine is to be asked for.
    options
        For files that are opened in the window.
    shared
        Where a phone page is served from the beginning, None: nowhere unless somebody asks for it in the window.

    Raises
    ------
    InputError
        The phone page cannot be served there.
    """
    made = application()
    window = Window(Silence() if silent else best_sink(), PAPERS[paper])
    desk = Desk(window, plugins, Shelf(), folder, options)
    if shared is not None:
        desk.phone.serve(shared)
    size = QGuiApplication.primaryScreen().availableSize()
    window.resize(min(int(WIDE), size.width()), min(int(TALL), size.height()))
    if full_screen:
        window.showFullScreen()
    else:
        window.show()
    if wanted is not None:
        window.begin(wanted, checks, checked=checked)
    else:
        desk.show_start()
        if ask is not None:
            desk.open_file(ask)
    if shared is not None:
        desk.phone.show()
    signal.signal(signal.SIGINT, lambda *_: window.close())
    made.exec()
    window.let_go()
    return 0
