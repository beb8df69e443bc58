"""Scene items painted by Qt: the same primitives as the pictures, so that the window looks like them."""

from __future__ import annotations

import math
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QFontDatabase,
    QImage,
    QPainter,
    QPainterPath,
    QPen,
    QPixmap,
    QTransform,
)

from crankfold.viewer.picture import FONTS, Item, Panel, Path, Ring, Rule, Words, look
from crankfold.viewer.window.plots import bars_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from PySide6.QtCore import QSizeF

    from crankfold.viewer.picture import Face

HATCH_STEP, HATCH_WIDTH = 6.0, 2.0  # as in the pictures
SMOOTH_FROM = 1.0  # scene units; a line of many points that is finer is drawn as bars, `BAR` thick at least
BAR = 1.2
ONE_PIXEL = 1.0  # thicker pens through thousands of points cost a hundred times as much


def load_fonts() -> None:
    """Make the fonts that ship with the package known to Qt; there must be an application."""
    folder = resources.files("crankfold.viewer") / "fonts"
    for name in FONTS:
        QFontDatabase.addApplicationFontFromData((folder / name).read_bytes())


@cache
def font_of(size: float, face: Face = "sans") -> QFont:
    """Return the font of a size in pixels."""
    font = QFont(look.SANS if face == "sans" else look.SERIF)
    font.setPixelSize(max(1, round(size)))
    font.setBold(face == "serif")
    return font


@cache
def colour_of(text: str) -> QColor:
    """Return a colour of the look."""
    return QColor(text)


def paint(painter: QPainter, items: Iterable[Item]) -> None:
    """Paint items in order."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    for item in items:
        if isinstance(item, Path):
            _path(painter, item)
        elif isinstance(item, Rule):
            painter.setPen(_pen(item.stroke, item.width, item.dash))
            painter.drawLine(QPointF(item.x1, item.y1), QPointF(item.x2, item.y2))
        elif isinstance(item, Panel):
            _panel(painter, item)
        elif isinstance(item, Ring):
            painter.setPen(_pen(item.stroke, item.width, item.dash))
            painter.setBrush(_brush(item.fill))
            painter.drawEllipse(QPointF(item.x, item.y), item.radius, item.radius)
        else:
            _words(painter, item)


def pixmap_of(items: Iterable[Item], size: QSizeF, ratio: float) -> QPixmap:
    """Return items painted on a transparent pixmap of a size in scene units, for a screen of that pixel ratio."""
    pixmap = QPixmap(max(1, round(size.width() * ratio)), max(1, round(size.height() * ratio)))
    pixmap.setDevicePixelRatio(ratio)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    paint(painter, items)
    painter.end()
    return pixmap


def _pen(stroke: str | None, width: float, dash: tuple[float, ...] = ()) -> QPen:
    if stroke is None:
        return QPen(Qt.PenStyle.NoPen)
    pen = QPen(colour_of(stroke))
    pen.setWidthF(width)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    if dash:
        pen.setDashPattern([d / max(width, 0.1) for d in dash])
    return pen


def _brush(fill: str | None) -> QBrush:
    return QBrush(Qt.BrushStyle.NoBrush) if fill is None else QBrush(colour_of(fill))


def _path(painter: QPainter, item: Path) -> None:
    if len(item.points) < 2:
        return
    plain = not item.closed and item.fill is None and not item.dash and item.hatch is None
    if plain and len(item.points) > 500:
        _long_line(painter, item)
        return
    path = pg.arrayToQPath(*np.ascontiguousarray(item.points.T), connect="finite")
    if item.closed:
        path.closeSubpath()
    painter.setOpacity(item.opacity)
    painter.setPen(_pen(item.stroke, item.width, item.dash))
    painter.setBrush(_brush(item.fill if item.closed else None))
    painter.drawPath(path)
    if item.hatch:
        _hatch(painter, path, item.hatch)
    painter.setOpacity(1.0)


def _long_line(painter: QPainter, item: Path) -> None:
    """Draw a line of very many points: smoothed, or as bars where it is a hairline and dense enough."""
    if item.width < SMOOTH_FROM and _bars(painter, item):
        return
    pen = QPen(colour_of(item.stroke or "#000000"))
    pen.setCosmetic(True)
    pen.setWidthF(ONE_PIXEL)
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, item.width >= SMOOTH_FROM and len(item.points) <= 4000)
    parts = np.ascontiguousarray(item.points.T)
    whole = bool(np.isfinite(parts).all())
    made = pg.functions.arrayToQPolygonF(*parts) if whole else pg.arrayToQPath(*parts, connect="finite")
    for right, down in _beside(item.width * _pixels(painter), _pixels(painter)):
        painter.translate(right, down)
        (painter.drawPolyline if whole else painter.drawPath)(made)
        painter.translate(-right, -down)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)


def _pixels(painter: QPainter) -> float:
    """Return how many pixels a scene unit has."""
    return painter.worldTransform().m11() * painter.device().devicePixelRatioF()


def _beside(thick: float, pixels: float) -> list[tuple[float, float]]:
    """Return where a line of one pixel is to be drawn, in scene units, so that it looks `thick` pixels thick."""
    reach = (thick - 1.0) / 2.0
    if reach < 0.25:
        return [(0.0, 0.0)]
    steps = math.ceil(reach)
    shifts = [sign * reach * k / steps / pixels for k in range(1, steps + 1) for sign in (-1.0, 1.0)]
    return [(0.0, 0.0), *((shift, 0.0) for shift in shifts), *((0.0, shift) for shift in shifts)]


def _bars(painter: QPainter, item: Path) -> bool:
    """Return whether a line could be drawn as bars, as an image in the pixels of the screen."""
    turned, pixels, scale = painter.worldTransform(), painter.device().devicePixelRatioF(), _pixels(painter)
    points = item.points * scale + (turned.dx() * pixels, turned.dy() * pixels)
    bars = bars_of(points, max(1.0, BAR * scale), round(painter.device().height() * pixels))
    if bars is None:
        return False
    tall, wide = bars.inked.shape
    if bars.inked.size:
        ink = np.multiply(bars.inked, np.uint32(colour_of(item.stroke or "#000000").rgba()), dtype=np.uint32)
        image = QImage(ink.data, wide, tall, 4 * wide, QImage.Format.Format_ARGB32_Premultiplied)
        painter.setWorldTransform(QTransform.fromScale(1.0 / pixels, 1.0 / pixels))
        painter.drawImage(bars.left, bars.top, image)
        painter.setWorldTransform(turned)
    return True


def _panel(painter: QPainter, item: Panel) -> None:
    box = QRectF(item.box.left, item.box.top, max(item.box.width, 0.0), max(item.box.height, 0.0))
    painter.setOpacity(item.opacity)
    painter.setPen(_pen(item.stroke, item.width))
    painter.setBrush(_brush(item.fill))
    painter.drawRoundedRect(box, item.radius, item.radius)
    painter.setOpacity(1.0)
    if item.hatch:
        path = QPainterPath()
        path.addRoundedRect(box, item.radius, item.radius)
        _hatch(painter, path, item.hatch)


def _hatch(painter: QPainter, path: QPainterPath, colour: str) -> None:
    """Fill a shape with slanting lines, drawn one by one so that they are as sharp on a scaled screen."""
    painter.save()
    painter.setClipPath(path, Qt.ClipOperation.IntersectClip)
    painter.setPen(_pen(colour, HATCH_WIDTH))
    box = path.boundingRect()
    step = HATCH_STEP * 2.0**0.5
    painter.drawLines([QLineF(at, box.bottom(), at + box.height(), box.top())
                       for at in np.arange(box.left() - box.height(), box.right(), step).tolist()])
    painter.restore()


def _words(painter: QPainter, item: Words) -> None:
    painter.setFont(font_of(item.size, item.face))
    painter.setPen(colour_of(item.colour))
    wide = painter.fontMetrics().horizontalAdvance(item.text)
    shift = {"start": 0.0, "middle": -wide / 2.0, "end": -float(wide)}[item.anchor]
    if not item.turn_deg:
        painter.drawText(QPointF(item.x + shift, item.y), item.text)
        return
    painter.save()
    painter.translate(item.x, item.y)
    painter.rotate(item.turn_deg)
    painter.drawText(QPointF(shift, 0.0), item.text)
    painter.restore()
