"""From nothing to a saved sheet with a mouse alone, and with a finger alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from film import Printer, whole_run
from hands import Finger, Mouse
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication, QDialogButtonBox, QFileDialog, QTreeView

from crankfold.viewer.session import Phase


def press_in_dialog(hand: Mouse, dialog: QFileDialog, name: str, bench: Any) -> None:
    """Choose a file in the dialog by pressing on its line and on the button."""
    lines = dialog.findChild(QTreeView, "treeView")
    if not lines.isVisible():
        lines = dialog.findChild(type(dialog.findChild(object, "listView")), "listView")

    def place() -> QPoint | None:
        model, root = lines.model(), lines.rootIndex()
        for row in range(model.rowCount(root)):
            if model.index(row, 0, root).data() == name:
                return QPoint(lines.visualRect(model.index(row, 0, root)).center())
        return None

    bench.until(lambda: place() is not None)
    at = place()
    assert at is not None
    hand.at(lines.viewport(), at)
    box = dialog.findChild(QDialogButtonBox)
    hand.on(box.button(QDialogButtonBox.StandardButton.Open))


@pytest.mark.parametrize("hand", [Mouse(), Finger()], ids=["mouse", "finger"])
def test_from_nothing_to_a_saved_sheet(bench: Any, desk: Any, dead_csv: Path, hand: Mouse) -> None:
    window = desk.window
    desk.files.place = str(dead_csv.parent)
    hand.action(window, "open")
    press_in_dialog(hand, desk.files.dialog, dead_csv.name, bench)
    bench.until(lambda: window.pile.top is desk.engine_of)
    hand.line(desk.engine_of.list, "Four in line, 1-3-4-2")
    hand.action(window, "next")
    hand.line(desk.engine_of.list, "waste spark")
    hand.action(window, "next")
    bench.until(lambda: window.now.phase is Phase.NAMED)
    assert window.pile.top is None
    assert window.page.head.spoken.headline == "Cylinder 3 has no compression."
    hand.action(window, "save")
    hand.action(window, "save_sheet")
    bench.until(lambda: desk.records.saved is not None)
    page = desk.records.saved
    assert page.suffix == ".html"
    assert "Cylinder 3 has no compression." in page.read_text(encoding="utf-8")
    assert str(page) in desk.records.saving.head.spoken.advice
    hand.action(window, "back")
    hand.action(window, "start")
    assert window.pile.top is desk.start
    assert window.session is None


def test_what_was_saved_is_opened_again_without_a_question_and_found_in_the_job_book(bench: Any, desk: Any) -> None:
    window, hand = desk.window, Mouse()
    hand.action(window, "practise")
    hand.action(window, "sample_low")
    bench.until(lambda: window.now.phase is Phase.NAMED)
    hand.action(window, "job")
    desk.form.fields["plate"].setText("HW 12")
    hand.action(window, "next")
    hand.action(window, "save")
    hand.action(window, "save_capture")
    bench.until(lambda: desk.records.saved is not None)
    kept = desk.records.saved
    assert kept.name.startswith("HW-12-")
    hand.action(window, "back")
    hand.action(window, "book")
    book = desk.records.book
    bench.until(lambda: len(book.entries) == 1)
    assert "HW 12" in book.list.item(0).text()
    assert "low: 2" in book.list.item(0).text()
    book.search.setText("nobody")
    assert not book.entries
    book.search.setText("hw 12")
    hand.action(window, "open_entry")
    bench.until(lambda: window.pile.top is None and window.now.phase is Phase.NAMED)
    assert "Cylinder 2 is low" in window.page.head.spoken.headline


def test_a_file_is_dropped_on_the_window(bench: Any, desk: Any, dead_csv: Path) -> None:
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(dead_csv))])
    facts = Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    QApplication.sendEvent(desk.window, QDragEnterEvent(QPoint(50, 50), *facts))
    QApplication.sendEvent(desk.window, QDropEvent(QPointF(50.0, 50.0), *facts))
    bench.until(lambda: desk.window.pile.top is desk.engine_of)


def test_a_file_that_cannot_be_read_is_said_on_the_page(bench: Any, desk: Any, tmp_path: Path) -> None:
    desk.open_file(tmp_path / "none.csv")
    bench.until(lambda: "no such file" in desk.start.head.spoken.advice)
    assert desk.window.pile.top is desk.start


def test_a_way_back_on_every_page_ends_at_the_start(desk: Any) -> None:
    window, hand = desk.window, Mouse()
    for way in (("practise",), ("set_up",), ("test",)):
        for action in way:
            hand.action(window, action)
        assert window.pile.top is not desk.start, way
        hand.action(window, "back")
        assert window.pile.top is desk.start, way


def test_the_checklist_is_read_before_a_board_is_opened(bench: Any, desk: Any, question: Any) -> None:
    from crankfold.acquire import AcquireError
    from crankfold.viewer.session import SessionPlan

    opened: list[int] = []

    def tried() -> Any:
        opened.append(1)
        raise AcquireError("there is no board x", "plug one in")

    window, hand = desk.window, Mouse()
    plan = SessionPlan(tried, question())
    window.begin(plan, ("Brake on.", "Fuel off."))
    assert window.page.head.spoken.headline == "Before cranking."
    hand.action(window, "start")
    assert window.pile.top is desk.start
    window.begin(plan, ("Brake on.", "Fuel off."))
    hand.action(window, "tick")
    assert not opened
    hand.action(window, "tick")
    bench.until(lambda: window.now.phase is Phase.NO_BOARD)
    assert opened


def test_a_line_of_the_checklist_is_ticked_where_it_is_pressed(bench: Any, desk: Any) -> None:
    window, hand = desk.window, Mouse()
    window.pile.clear()
    window.page.ask(("Brake on.", "Fuel off.", "Hands clear."))
    bench.application.processEvents()
    check = window.page.check

    def press_line(k: int) -> None:
        box = check._box_of(k, check.box)
        hand.at(check, QPoint(round((box.left + 40.0) * check.unit), round((box.top + 10.0) * check.unit)))

    press_line(1)
    assert check.list.done == 0, "lines are done in their order"
    press_line(0)
    press_line(1)
    assert check.list.done == 2
    press_line(1)
    assert check.list.done == 1


def test_captures_carry_the_job_that_was_entered_while_armed(bench: Any, desk: Any, played: Any, recorded_codes: Any,
                                                             question: Any, tmp_path: Path) -> None:
    from crankfold.acquire import read_facts
    from crankfold.viewer.session import SessionPlan

    (tmp_path / "kept").mkdir()
    info, codes = recorded_codes("engine=pump,dead=3,quiet=2,crank=3,after=3,rate=2000,sync=waste-spark")
    window, hand, opened = desk.window, Mouse(), list[int]()

    def begun() -> Any:
        opened.append(1)
        return played(info, codes, speed=5.0 if len(opened) > 1 else 0.5)

    window.pile.clear()
    phases = bench.watch(window, SessionPlan(begun, question(sync="waste-spark:1"), folder=tmp_path / "kept"))
    bench.until(lambda: phases[-1:] in ([Phase.FILLING], [Phase.ARMED]))
    hand.action(window, "job")
    desk.form.fields["plate"].setText("HW 12")
    hand.action(window, "next")
    bench.until(lambda: len(opened) == 2)
    bench.until(lambda: bool(list((tmp_path / "kept").glob("*.html"))))
    (path,) = (tmp_path / "kept").glob("*.h5")
    assert read_facts(path).about["job"]["plate"] == "HW 12"


def test_another_engine_is_another_job(desk: Any) -> None:
    from crankfold.acquire import EngineCard, Job, Rig

    desk.shelf.save("pump", EngineCard("1-3-4-2"))
    desk.shelf.save("bench", Rig("virtual:engine=pump"))
    desk.job = Job(plate="HW 12", technician="A. Tester")
    hand = Mouse()
    for action in ("test", "engine:pump", "rig:bench"):
        hand.action(desk.window, action)
    assert desk.window.pile.top is desk.form
    assert desk.form.values()["plate"] == ""
    assert desk.form.values()["technician"] == "A. Tester"
    hand.action(desk.window, "next")
    assert desk.window.waiting is not None, "its checklist comes before the board"
    assert desk.window.page.check.isVisible()


def test_two_of_the_job_book_are_compared_and_the_list_is_saved_as_a_table(bench: Any, desk: Any) -> None:
    import csv

    window, hand = desk.window, Mouse()
    for sample, phase in (("sample_low", Phase.NAMED), ("sample_even", Phase.EVEN)):
        hand.action(window, "practise")
        hand.action(window, sample)
        bench.until(lambda phase=phase: window.now.phase is phase)
        desk.records.saved = None
        hand.action(window, "save")
        hand.action(window, "save_capture")
        bench.until(lambda: desk.records.saved is not None)
        desk.show_start()
    hand.action(window, "book")
    book = desk.records.book
    bench.until(lambda: len(book.entries) == 2)
    hand.action(window, "pick_entry")
    assert "select the one to compare with" in book.head.spoken.advice
    assert "with_picked" not in book.bar.actions_, "not with itself"
    book.list.setCurrentRow(1)
    hand.action(window, "with_picked")
    bench.until(lambda: window.pile.top is desk.records.comparing)
    hand.action(window, "back")
    assert book.picked is None
    book.search.setText("pump")
    desk.records.saved = None
    hand.action(window, "table")
    bench.until(lambda: desk.records.saved is not None)
    with desk.records.saved.open(newline="", encoding="utf-8") as file:
        assert len(list(csv.DictReader(file))) == 2
    window.close()
    assert book.book is None, "the index is let go of"


@pytest.mark.parametrize("hand", [pytest.param(Mouse(), id="mouse"),
                                  pytest.param(Finger(), id="finger", marks=pytest.mark.slow)])
def test_from_an_empty_shelf_to_a_printed_sheet(bench: Any, desk: Any, hand: Mouse) -> None:
    """The run that `film.py` makes pictures of, with an engine that cranks as fast as it can."""
    printer = Printer()
    board = "virtual:engine=pump,dead=3,sync=waste-spark,rate=2000,quiet=1,crank=4,after=1,pace=flat"
    try:
        whole_run(hand, desk, bench.until, board)
    finally:
        printer.close()
    (page,) = printer.pages
    assert "Cylinder 3 has no compression." in page.read_text(encoding="utf-8")
    assert desk.shelf.rigs() == ("bench",)
    assert desk.window.pile.top is desk.start
