"""A page of a few fields to be filled in, none of which must be: whose job it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QLabel, QLineEdit, QScrollArea, QWidget

from crankfold.viewer.picture import Box
from crankfold.viewer.window.pages.leaf import BACK, Leaf
from crankfold.viewer.window.placing import put
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Mapping

LABEL = 200.0  # scene units: width of a field's name
WIDEST = 900.0


class FormPage(Leaf):
    """A page of fields; their texts are read by `values`."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.area, self.sheet = QScrollArea(self), QWidget()
        self.area.setWidget(self.sheet)
        self.area.setFrameShape(QScrollArea.Shape.NoFrame)
        self.fields: dict[str, QLineEdit] = {}
        self._labels: dict[str, QLabel] = {}

    def ask(self, section: str, values: Mapping[str, str], *buttons: str) -> None:
        """Ask for these fields, named by a section of the wording, with what is known of them."""
        for old in (*self.fields.values(), *self._labels.values()):
            old.hide()
            old.deleteLater()
        self.fields, self._labels = {}, {}
        for name, value in values.items():
            text = say(f"{section}.{name}")
            label, edit = QLabel(text, self.sheet), QLineEdit(value, self.sheet)
            edit.setAccessibleName(text)
            label.setBuddy(edit)
            self._labels[name], self.fields[name] = label, edit
            label.show()
            edit.show()
        self.offer(*(buttons or ("next", BACK)))
        self.arrange()

    def values(self) -> dict[str, str]:
        """Return what stands in the fields."""
        return {name: edit.text().strip() for name, edit in self.fields.items()}

    def begin(self) -> None:
        """Put the cursor into the first field."""
        for edit in self.fields.values():
            edit.setFocus()
            return

    def place(self, box: Box) -> None:
        """Lay the fields out below each other; they scroll where they do not fit."""
        row, wide = self.row_px() / self.unit, min(box.width, WIDEST)
        put(self.area, self.unit, box)
        self.sheet.resize(round((wide - 24.0) * self.unit), round(len(self.fields) * (row + 6.0) * self.unit))
        for k, (name, edit) in enumerate(self.fields.items()):
            put(self._labels[name], self.unit, Box(0.0, k * (row + 6.0), LABEL, row))
            put(edit, self.unit, Box(LABEL, k * (row + 6.0), wide - LABEL - 28.0, row))
        ground = f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {self.paper.paper}; }}"
        self.setStyleSheet(self.style_text() + ground)
