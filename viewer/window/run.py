"""The window started: one Qt application until it is closed, and its tones on the loudspeaker or as a beep."""

from __future__ import annotations

import atexit
import signal
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QUrl
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QApplication

from crankfold.acquire import Shelf
from crankfold.viewer.picture import look
from crankfold.viewer.session import NOTES, tone_wav
from crankfold.viewer.window.asking import NOTHING
from crankfold.viewer.window.desk import Desk
from crankfold.viewer.window.main_window import Window
from crankfold.viewer.window.painting import load_fonts
from crankfold.viewer.window.placing import TALL, WIDE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from crankfold.acquire import Plugins
    from crankfold.viewer.session import Phase, SessionPlan, Sink
    from crankfold.viewer.share import Shared

PAPERS = {"light": look.LIGHT, "dark": look.DARK}


class Beep:
    """The system's beep, the same for every phase."""

    def sound(self, phase: Phase) -> None:
        """Beep."""
        del phase
        QApplication.beep()


class Silence:
    """No sound at all."""

    def sound(self, phase: Phase) -> None:
        """Sound nothing."""


class Loudspeaker:
    """Each phase's own tone; its WAV files lie in a folder that goes away with the program."""

    def __init__(self, multimedia: Any) -> None:
        folder = tempfile.TemporaryDirectory(prefix="crankfold-tones-")
        atexit.register(folder.cleanup)
        self._effects: dict[Phase, Any] = {}
        for phase in NOTES:
            path = Path(folder.name) / f"{phase.value}.wav"
            path.write_bytes(tone_wav(phase))
            effect = multimedia.QSoundEffect()
            effect.setSource(QUrl.fromLocalFile(str(path)))
            self._effects[phase] = effect

    def sound(self, phase: Phase) -> None:
        """Sound the tone of a phase."""
        self._effects[phase].play()


def best_sink() -> Sink:
    """Return the best there is."""
    try:
        return Loudspeaker(import_module("PySide6.QtMultimedia"))
    except ImportError:
        return Beep()


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
