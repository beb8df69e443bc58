"""Where things lie in the window: in scene units, of which 1280 by 720 are the smallest window, upright 760 by 1216."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRect

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.picture import Box

WIDE, TALL = 1280.0, 720.0
UPRIGHT_WIDE, UPRIGHT_TALL = 760.0, 1216.0  # a tablet held upright: the same type, the views below each other
MARGIN, HEAD, GAP = 24.0, 186.0, 12.0
BAR = 46.0  # least height of the buttons: on a large screen they grow with everything else
SMALLEST_UNIT = 0.2  # pixels; nothing can be read any more, but nothing fails either


def upright(window: QWidget) -> bool:
    """Return whether the window is clearly higher than wide."""
    return window.height() > 1.1 * window.width()


def unit_of(window: QWidget) -> float:
    """Return how many pixels a scene unit has, so that the smallest layout just fills the widget."""
    wide, tall = (UPRIGHT_WIDE, UPRIGHT_TALL) if upright(window) else (WIDE, TALL)
    return max(SMALLEST_UNIT, min(window.width() / wide, window.height() / tall))


def put(widget: QWidget, unit: float, box: Box) -> None:
    """Place a widget in a box of scene units."""
    widget.setGeometry(QRect(*(round(part * unit) for part in (box.left, box.top, box.width, box.height))))
