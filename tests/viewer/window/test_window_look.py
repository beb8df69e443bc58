"""Contrast of everything that is drawn, in both papers; low is never said by colour alone."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from PySide6.QtGui import QFontMetricsF

from crankfold.analysis import Result
from crankfold.viewer.picture import Box, Item, Panel, Paper, Path, Ring, Rule, Stretch, Words, look
from crankfold.viewer.picture.look import DARK, LIGHT, contrast
from crankfold.viewer.picture.strip import Kind
from crankfold.viewer.session import Answered, Broke, Caught, Dismissed, Judged, NoBoard, Opened, Readying
from crankfold.viewer.window.drawings import drawing
from crankfold.viewer.window.painting import font_of
from crankfold.viewer.window.plots import StripWindow, judged_strip
from crankfold.viewer.window.set_up import PROBES, SYNCS, Draft

AA_TEXT, AA_LARGE, AA_GRAPHIC = 4.5, 3.0, 3.0  # Web Content Accessibility Guidelines 2.1, 1.4.3 and 1.4.11
LARGE = 24.0  # pixels: 18 points
DECORATIVE = ("rule", "card", "wash", "blush", "paper")
"""Hairlines, grids and grounds, which carry nothing that is not also written."""


def blended(top: str, under: str, opacity: float) -> str:
    parts = ((int(top[i : i + 2], 16), int(under[i : i + 2], 16)) for i in (1, 3, 5))
    return "#" + "".join(f"{round(a * opacity + b * (1 - opacity)):02x}" for a, b in parts)


def inside(points: np.ndarray, x: float, y: float) -> bool:
    px, py = points[:, 0], points[:, 1]
    qx, qy = np.roll(px, -1), np.roll(py, -1)
    crosses = (py > y) != (qy > y)
    at = px + (y - py) / np.where(qy == py, 1.0, qy - py) * (qx - px)
    return bool((crosses & (x < at)).sum() % 2)


def ground_at(items: list[Item], x: float, y: float, paper: Paper) -> str:
    """Return the colour that lies at a place under what is drawn next."""
    ground = paper.paper
    for item in items:
        if isinstance(item, Panel) and item.fill:
            if item.box.left <= x <= item.box.right and item.box.top <= y <= item.box.bottom:
                ground = blended(item.fill, ground, item.opacity)
        elif isinstance(item, Ring) and item.fill:
            if np.hypot(item.x - x, item.y - y) <= item.radius:
                ground = item.fill
        elif isinstance(item, Path) and item.closed and item.fill and inside(item.points, x, y):
            ground = blended(item.fill, ground, item.opacity)
    return ground


def words_and_lines(items: list[Item], paper: Paper) -> list[tuple[str, float, float]]:
    """Return what, its contrast, and the contrast it needs."""
    found = []
    decorative = {getattr(paper, name) for name in DECORATIVE}
    for k, item in enumerate(items):
        if isinstance(item, Words) and item.text:
            ground = ground_at(items[:k], item.x, item.y - 0.3 * item.size, paper)
            needed = AA_LARGE if item.size >= LARGE else AA_TEXT
            found.append((f"{item.text!r} {item.colour} on {ground}", contrast(item.colour, ground), needed))
        elif isinstance(item, Rule) and item.stroke not in decorative:
            ground = ground_at(items[:k], (item.x1 + item.x2) / 2, (item.y1 + item.y2) / 2, paper)
            found.append((f"line {item.stroke} on {ground}", contrast(item.stroke, ground), AA_GRAPHIC))
        elif isinstance(item, Path) and item.stroke and item.stroke not in decorative:
            x, y = item.points[np.isfinite(item.points).all(axis=1)][0]
            ground = ground_at(items[:k], x - 1.5, y, paper)
            found.append((f"curve {item.stroke} on {ground}", contrast(item.stroke, ground), AA_GRAPHIC))
    return found


def items_of(window: Any) -> list[list[Item]]:
    page = window.page
    return [view.items(view.box) for view in page.views if view.isVisible()]


def standings(judged: Judged) -> list[tuple[Any, ...]]:
    ready = (Readying(live=True), Opened("test board"))
    return [(), ready, (NoBoard("none", "plug in"),), (*ready, Caught(1)), (*ready, Caught(1), Answered(1, judged)),
            (*ready, Caught(1), Answered(1, judged), Broke("gone", "plug in"))]


@pytest.mark.parametrize("paper", [LIGHT, DARK], ids=["light", "dark"])
def test_everything_drawn_has_contrast_enough(bench: Any, paper: Paper, dead_three: Any, uneven_result: Result,
                                              healthy: Any, even_result: Result, question: Any) -> None:
    window = bench.window()
    window.page.use_paper(paper)
    seen: list[tuple[str, float, float]] = []
    for judged in (Judged(dead_three, uneven_result, question(), (0.9, 1.2)), Judged(healthy, even_result, question())):
        for news in standings(judged):
            for piece in (Dismissed(), *news):
                window.take(piece)
            window.page.light(2)
            for items in items_of(window):
                seen += words_and_lines(items, paper)
    window.page.ask(("one", "two", "three"))
    window.page.check.key(0x20)
    seen += words_and_lines(window.page.check.items(window.page.check.box), paper)
    for key in (*(f"probe-{k}" for k in PROBES), *(f"sync-{k}" for k in SYNCS), "engine", "board"):
        ground = Panel(Box(-50.0, -50.0, 800.0, 600.0), fill=paper.card)
        seen += words_and_lines([ground, *drawing(key, paper, Draft())], paper)
    assert len(seen) > 300
    poor = sorted({f"{what}: {ratio:.2f}, needs {needed}" for what, ratio, needed in seen if ratio < needed})
    assert not poor


def on_each_other(items: list[Item]) -> list[tuple[str, str]]:
    """Return the pairs of words that lie on each other, as Qt draws them; letters reach 0.72 of their size up."""
    placed = []
    for item in items:
        if isinstance(item, Words) and item.text and not item.turn_deg:
            wide = QFontMetricsF(font_of(item.size, item.face)).horizontalAdvance(item.text)
            left = item.x - {"start": 0.0, "middle": wide / 2.0, "end": wide}[item.anchor]
            placed.append((item.text, left, left + wide, item.y - 0.72 * item.size, item.y))
    return [(one[0], other[0]) for one, other in itertools.combinations(placed, 2)
            if one[1] < other[2] and other[1] < one[2] and one[3] < other[4] and other[3] < one[4]]


@pytest.mark.parametrize(("wide", "tall"), [(1280, 720), (1024, 768), (1920, 1080), (1280, 1024)])
def test_no_words_lie_on_others_in_any_state(bench: Any, dead_three: Any, uneven_result: Result, healthy: Any,
                                             even_result: Result, question: Any, wide: int, tall: int) -> None:
    window = bench.window(wide=wide, tall=tall)
    for judged in (Judged(dead_three, uneven_result, question(), (0.9, 1.2)), Judged(healthy, even_result, question())):
        for news in standings(judged):
            for piece in (Dismissed(), *news):
                window.take(piece)
            for light in (None, 2):
                window.page.light(light)
                for items in items_of(window):
                    assert on_each_other(items) == []


def test_boards_with_long_names_are_written_out(bench: Any, settings_folder: Any) -> None:
    from crankfold.acquire import Shelf, load_plugins
    from crankfold.viewer.window.set_up import Step
    from crankfold.viewer.window.set_up_view import SetUpView

    window = bench.window()
    view = SetUpView(Shelf(), load_plugins(enabled=False), window)
    window.use_set_up(view)
    window.begin_set_up()
    view.boards[:] = [("virtual:engine=pump", f"virtual pump, {'i' * more}") for more in range(20, 90)]
    view.go(Step.BOARD)
    bench.application.processEvents()
    assert not view.list.horizontalScrollBar().isVisible()
    for row in range(view.list.count()):
        item = view.list.item(row)
        room = view.list.visualItemRect(item)
        metrics = QFontMetricsF(view.list.font())
        lines = metrics.horizontalAdvance(item.text()) / room.width()
        assert room.height() >= metrics.height() * np.ceil(lines)


@pytest.mark.parametrize("paper", [LIGHT, DARK], ids=["light", "dark"])
def test_fields_and_lists_have_contrast_enough(paper: Paper) -> None:
    assert contrast(paper.ink, paper.card) >= AA_TEXT
    assert contrast(paper.ink, paper.wash) >= AA_TEXT
    assert contrast(paper.faint, paper.card) >= AA_GRAPHIC


def test_low_is_said_hatched_and_coloured_in_every_view(bench: Any, dead_three: Any, uneven_result: Result,
                                                        question: Any) -> None:
    window = bench.window()
    for piece in (Readying(live=True), Opened("test"), Caught(1),
                  Answered(1, Judged(dead_three, uneven_result, question()))):
        window.take(piece)
    page = window.page
    for view in (page.fold, page.wheel):
        items = view.items(view.box)
        assert "no compression" in " ".join(item.text for item in items if isinstance(item, Words))
        assert any(getattr(item, "hatch", None) == look.LIGHT.vermilion for item in items)
    numbers = [i for i in page.strip.items(page.strip.box) if isinstance(i, Words) and i.text in ("3", "4")]
    assert {i.text for i in numbers if i.face == "serif"} == {"3"}
    assert {i.text for i in numbers if i.colour == look.LIGHT.vermilion} == {"3"}


@pytest.mark.parametrize(("kind", "label"), [("in-rush", "in-rush"), ("gap", "samples missing"), ("fired",
                         "engine running"), ("unused", "not used")])
def test_stretches_not_used_are_hatched_and_named(bench: Any, dead_three: Any, uneven_result: Result, kind: Kind,
                                                  label: str) -> None:
    from dataclasses import replace

    from crankfold.viewer.picture import strip_of

    data = replace(strip_of(uneven_result, dead_three), stretches=(Stretch(1.0, 2.4, kind),))
    items = judged_strip(data, uneven_result, Box(0.0, 0.0, 800.0, 220.0), StripWindow.of(data), LIGHT)
    assert any(isinstance(item, Panel) and item.hatch for item in items)
    assert any(isinstance(item, Words) and item.text == label for item in items)


SCREEN_PX, SCREEN_MM = 1366.0, 309.9  # across a 14-inch screen of 1366 x 768: 14 x 25.4 x 1366 / sqrt(1366^2 + 768^2)
LEAST_MM = 4.4  # read from three metres at five minutes of arc: 3000 x tan(5/60 degrees) = 4.36
DIGIT_SHARE = 0.729  # of the type size: height of the digits of the font that ships with us


def test_percentages_are_read_from_three_metres(bench: Any, dead_three: Any, uneven_result: Result,
                                                question: Any) -> None:
    window = bench.window(wide=1366, tall=768)
    for piece in (Readying(live=True), Opened("test"), Caught(1),
                  Answered(1, Judged(dead_three, uneven_result, question()))):
        window.take(piece)
    wheel = window.page.wheel
    sizes = [item.size for item in wheel.items(wheel.box) if isinstance(item, Words) and item.text.endswith("%")]
    assert len(sizes) == 3
    assert min(sizes) * wheel.unit * DIGIT_SHARE * SCREEN_MM / SCREEN_PX >= LEAST_MM


@pytest.mark.parametrize(("wide", "tall"), [(1366, 768), (1092, 614), (910, 512), (683, 384), (800, 1280),
                                            (1920, 1080)])
def test_no_word_on_a_button_or_card_is_cut(bench: Any, desk: Any, wide: int, tall: int) -> None:
    """The sizes of 1366 x 768 at 100, 125, 150 and 200 %, a tablet held upright, and a large screen."""
    window = desk.window
    window.resize(wide, tall)
    for action in ("start", "practise", "set_up", "job"):
        desk.window.act(action)
        bench.application.processEvents()
        page = window.pile.top
        for name in page.bar.actions_:
            button = page.bar.button(name)
            assert button.fontMetrics().horizontalAdvance(button.text()) <= button.width(), (action, name)
            assert page.rect().contains(button.parentWidget().geometry())
        for card in getattr(page, "cards", {}).values():
            assert page.rect().contains(card.geometry())
            box = Box(0.0, 0.0, card.width() / card.unit, card.height() / card.unit)
            assert not any(item.text.endswith("...") for item in card.items(box) if isinstance(item, Words))


def test_screen_readers_get_names_on_every_page(bench: Any, desk: Any) -> None:
    from PySide6.QtWidgets import QAbstractButton, QLineEdit, QListWidget

    for action in ("start", "practise", "set_up", "job", "book"):
        desk.window.act(action)
        bench.application.processEvents()
        page = desk.window.pile.top
        assert page.accessibleName(), action
        for kind in (QAbstractButton, QLineEdit, QListWidget):
            for widget in page.findChildren(kind):
                inside = widget.objectName().startswith("qt_") or "Scroll" in type(widget.parentWidget()).__name__
                if widget.isVisibleTo(page) and not inside:
                    assert widget.accessibleName() or getattr(widget, "text", str)(), (action, widget)


@pytest.mark.parametrize(("wide", "tall"), [(683, 384), (800, 1280)])
def test_the_set_up_has_room_for_its_list_on_every_screen(bench: Any, desk: Any, wide: int, tall: int) -> None:
    desk.window.resize(wide, tall)
    desk.window.begin_set_up()
    bench.application.processEvents()
    view = desk.set_up
    side = max(edit.geometry().bottom() for edit in view.fields.values()) - view.list.y()
    assert view.list.height() >= 0.35 * side
    for edit in view.fields.values():
        assert not view.list.geometry().intersects(edit.geometry())
        assert edit.geometry().bottom() <= view.bar.y()
