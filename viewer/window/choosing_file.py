"""Dialogs for files and folders, with rows that a finger hits; they do not stop the window."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QFileDialog

from crankfold.viewer.window.button_bar import least_px
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtWidgets import QWidget

SMALLEST = (760, 560)


class FileDialogs(QObject):
    """Asks for a file to open or a folder."""

    def __init__(self, window: QWidget) -> None:
        super().__init__(window)
        self._window = window
        self.dialog: QFileDialog | None = None
        self.place = str(Path.cwd())

    def ask_file(self, then: Callable[[Path], object]) -> None:
        """Ask for a recording."""
        self._ask(say("window.start.open"), QFileDialog.FileMode.ExistingFile, then)

    def ask_folder(self, then: Callable[[Path], object]) -> None:
        """Ask for a folder."""
        self._ask(say("window.button.folder"), QFileDialog.FileMode.Directory, then)

    def _ask(self, title: str, mode: QFileDialog.FileMode, then: Callable[[Path], object]) -> None:
        dialog = QFileDialog(self._window, title, self.place)
        dialog.setOption(QFileDialog.Option.DontUseNativeDialog, on=True)  # the system's has rows for a mouse only
        dialog.setFileMode(mode)
        row = least_px(self._window)
        dialog.setStyleSheet(f"QAbstractItemView::item, QPushButton, QToolButton, QLineEdit, QComboBox"
                             f" {{ min-height: {row}px; }} QToolButton {{ min-width: {row}px; }}")
        dialog.resize(min(SMALLEST[0], self._window.width()), min(SMALLEST[1], self._window.height()))

        def chosen(name: str) -> None:
            self.place = str(Path(name).parent if mode is QFileDialog.FileMode.ExistingFile else name)
            then(Path(name))

        dialog.fileSelected.connect(chosen)
        dialog.finished.connect(dialog.deleteLater)
        self.dialog = dialog
        dialog.open()
