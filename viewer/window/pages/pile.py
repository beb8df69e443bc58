"""Pages on each other over the test page: the top one is seen, the way back leads to the one below."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtCore import QSize
    from PySide6.QtWidgets import QWidget

    from crankfold.viewer.picture import Paper
    from crankfold.viewer.window.pages.leaf import Leaf


class Pile:
    """The pages that lie over the test page of a window.

    Parameters
    ----------
    window
        Whom they fill.
    act
        Takes the buttons that a page does not deal with itself.
    """

    def __init__(self, window: QWidget, act: Callable[[str], None], paper: Paper) -> None:
        self._window, self._act, self._paper = window, act, paper
        self._pages: list[Leaf] = []
        self._known: set[int] = set()

    @property
    def top(self) -> Leaf | None:
        """The page that is seen, None: the test page."""
        return self._pages[-1] if self._pages else None

    def push(self, page: Leaf) -> None:
        """Show a page on top; where it lies in the pile already, what lies on it goes away."""
        if self.top is not None:
            self._leave(self.top)
        if page in self._pages:
            del self._pages[self._pages.index(page) :]
        self._pages.append(page)
        if id(page) not in self._known:
            self._known.add(id(page))
            page.setParent(self._window)
            page.acted.connect(self._act)
        self._show(page)

    def back(self) -> None:
        """Take the top page away."""
        if self._pages:
            self._leave(self._pages.pop())
        if self.top is not None:
            self._show(self.top)
        else:
            self._window.setFocus()

    def clear(self) -> None:
        """Take all away."""
        if self._pages:
            self._leave(self._pages[-1])
        self._pages.clear()
        self._window.setFocus()

    def resize(self, size: QSize) -> None:
        """Let the top page fill the window."""
        if self.top is not None:
            self.top.resize(size)

    def use_paper(self, paper: Paper) -> None:
        """Change to light or dark paper."""
        self._paper = paper
        if self.top is not None:
            self.top.use_paper(paper)

    def _show(self, page: Leaf) -> None:
        page.resize(self._window.size())
        page.use_paper(self._paper)
        page.show()
        page.raise_()
        page.setFocus()
        page.begin()

    def _leave(self, page: Leaf) -> None:
        page.end()
        page.hide()
