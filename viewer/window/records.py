"""What is done with captures and results from the window: saved, found in the job book, compared."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, QUrl, Signal
from PySide6.QtGui import QDesktopServices

from crankfold.analysis import InputError
from crankfold.viewer.window.pages import BookPage, ChoosingPage, ComparingPage, Option
from crankfold.viewer.window.saving import save_part, save_table, usual_folder
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.viewer.session import Judged
    from crankfold.viewer.window.desk import Desk

PARTS = ("sheet_a4", "sheet_letter", "sheet", "picture", "capture", "sound")
"""What the page for saving offers, besides the way to a printer and to the job."""


class Records(QObject):
    """Saves, finds and compares."""

    _looked = Signal(int, int)

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.desk = desk
        self.saving, self.book, self.comparing = ChoosingPage(), BookPage(), ComparingPage()
        self.folder = desk.folder or usual_folder()
        self.saved: Path | None = None
        self.book.opened.connect(desk.open_file)
        self._looked.connect(self._say_looked)
        desk.window.closing.connect(lambda: self.book.show_book(None))  # lets go of the index
        self.book.compared.connect(self._compare)

    @property
    def actions(self) -> dict[str, Callable[[], object]]:
        """What the buttons of these pages do."""
        parts = {f"save_{part}": partial(self._save, part) for part in PARTS}
        return {"save": self._save_page, "book": self._book_page, "folder": self._other_folder,
                "table": self._save_table,
                "print": partial(self._save, "sheet", self._to_print), **parts}

    def _save_page(self) -> None:
        if self.desk.window.now.judged is None:
            return
        self.saving.tell(say("window.save.heading"), say("window.save.advice", folder=str(self.folder)))
        offered = [Option(f"save_{part}", say(f"window.save.{part}"), say(f"window.save.{part}_text"))
                   for part in PARTS]
        more = [Option(name, say(f"window.save.{name}"), say(f"window.save.{name}_text")) for name in ("print", "job")]
        self.saving.choose((offered[0], offered[1], more[0], *offered[2:], more[1]), "back", "folder")
        self.desk.window.pile.push(self.saving)

    def _save(self, part: str, then: Callable[[Path], object] | None = None) -> None:
        window = self.desk.window
        judged, raw = window.now.judged, window.raw
        if judged is not None:
            work = partial(save_part, part, judged, raw, self.desk.job, self.folder)
            self.desk.errand(say("window.save.saving"), work, then or self._was_saved)

    def _was_saved(self, path: Path) -> None:
        self.saved = path
        self.desk.tell_here(say("window.kept", path=str(path)))

    def _to_print(self, path: Path) -> None:
        self.saved = path
        self.desk.tell_here(say("window.save.printing", path=str(path)))
        QDesktopServices.openUrl(QUrl.fromLocalFile(str(path)))

    def _other_folder(self) -> None:
        self.desk.files.ask_folder(self._use_folder)

    def _use_folder(self, folder: Path) -> None:
        self.folder = folder
        if self.desk.window.pile.top is self.book:
            self._book_page()
        else:
            self.desk.tell_here(say("window.save.advice", folder=str(folder)))

    def _book_page(self) -> None:
        if self.desk.window.pile.top is not self.book:
            self.desk.window.pile.push(self.book)
        work = partial(_refresh, self.folder, self._looked.emit)
        self.desk.errand(say("progress.looking_through"), work, self._show_book)

    def _say_looked(self, done: int, of: int) -> None:
        self.book.tell(self.book.head.spoken.headline, say("progress.looking_through"),
                       say("window.book.looked", done=done, of=of))

    def _show_book(self, read: int) -> None:
        from crankfold.viewer.jobs import JobBook

        if not self.desk.window.isVisible():
            return  # it was closed meanwhile
        book = JobBook(self.folder)
        if read and not book.count():  # no index on disk: it was only in the memory of the other thread
            book.refresh()
        self.book.show_book(book)

    def _save_table(self) -> None:
        work = partial(save_table, self.folder, self.book.query())
        self.desk.errand(say("window.save.saving"), work, self._was_saved)

    def _compare(self, before: Path, after: Path) -> None:
        self.desk.errand(say("window.book.comparing"), partial(self._judge_both, before, after), self._show_pair)

    def _judge_both(self, *paths: Path) -> tuple[Judged, ...]:
        from crankfold.viewer.session import judge_as_told, read_capture

        return tuple(judge_as_told(*_read(path, self.desk.plugins, read_capture, self.desk.options))
                     for path in paths)

    def _show_pair(self, pair: Any) -> None:
        try:
            self.comparing.show_pair(*pair)
        except InputError as error:
            self.desk.fail(error)
            return
        self.desk.window.pile.push(self.comparing)


def _read(path: Path, plugins: Any, read: Any, options: Any) -> tuple[Any, Any, Any]:
    capture, warnings = read(path, {}, plugins)
    return capture, options, warnings


def _refresh(folder: Path, told: Callable[[int, int], None]) -> int:
    """Read what is new in a folder, and return how many files that were."""
    from crankfold.viewer.jobs import JobBook

    try:
        with JobBook(folder) as book:
            return book.refresh(told)
    except OSError as error:
        raise InputError(say("jobs.no_folder", path=str(folder))) from error
