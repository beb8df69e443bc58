"""Tones on the loudspeaker: through Qt's multimedia part where it is installed, else the system's own beep."""

from __future__ import annotations

import atexit
import tempfile
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QUrl
from PySide6.QtWidgets import QApplication

from crankfold.viewer.session import NOTES, tone_wav

if TYPE_CHECKING:
    from crankfold.viewer.session import Phase, Sink


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
