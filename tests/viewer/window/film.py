"""From nothing to a printed sheet by one hand, each step a picture: `python film.py FOLDER`; the tests run it blind."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parent))

from hands import Finger, Mouse
from PySide6.QtCore import QObject, QUrl, Slot
from PySide6.QtGui import QDesktopServices

from crankfold.viewer.session import Phase

REAL = "virtual:engine=pump,dead=3,sync=waste-spark,rate=5000,quiet=5,crank=5,after=3"
SIZES = ((1366, 768), (800, 1280))
PATIENCE_S = 60.0


class Printer(QObject):
    """Takes what the window hands to the desktop for printing."""

    def __init__(self) -> None:
        super().__init__()
        self.pages: list[Path] = []
        QDesktopServices.setUrlHandler("file", self, "take")

    @Slot(QUrl)
    def take(self, url: QUrl) -> None:
        self.pages.append(Path(url.toLocalFile()))

    def close(self) -> None:
        QDesktopServices.unsetUrlHandler("file")


def whole_run(hand: Mouse, desk: Any, until: Callable[[Callable[[], bool]], None], board: str,
              shot: Callable[[str], None] = lambda name: None) -> None:
    """Set up, test, and print, starting at the start page with nothing saved; `shot` is called after every step."""
    window, set_up = desk.window, desk.set_up
    shot("start")
    hand.action(window, "test")
    assert window.pile.top is set_up, "nothing is saved yet"
    hand.line(set_up.list, "Four in line, 1-3-4-2")
    shot("engine")
    hand.action(window, "next")
    set_up._found.put((board, "a board that was plugged in"))  # as discovery does
    until(lambda: any(board in choice.label for choice in set_up._offered))
    hand.line(set_up.list, "a board that was plugged in")
    shot("board")
    hand.action(window, "next")
    hand.line(set_up.list, "gives amps already")
    shot("probe")
    hand.action(window, "next")
    hand.line(set_up.list, "waste spark")
    shot("second-channel")
    hand.action(window, "next")
    shot("names")
    hand.action(window, "next")
    shot("job")
    hand.action(window, "next")
    shot("checklist")
    while window.waiting is not None:
        hand.action(window, "tick")
    until(lambda: window.now.phase is not Phase.READYING)
    for phase in (Phase.FILLING, Phase.ARMED, Phase.CRANKING, Phase.ENOUGH, Phase.NAMED):
        until(lambda phase=phase: window.now.phase in (phase, Phase.NAMED))  # type: ignore[misc]
        shot(phase.value)
    hand.action(window, "details")
    shot("findings")
    hand.action(window, "close")
    hand.action(window, "save")
    shot("save")
    hand.action(window, "print")
    until(lambda: desk.records.saved is not None)
    shot("printed")
    hand.action(window, "back")
    hand.action(window, "start")
    shot("start-again")


def filmed(name: str, hand: Mouse, size: tuple[int, int], folder: Path) -> None:
    """Film one run in a window of a size."""
    from crankfold.acquire import Shelf, load_plugins
    from crankfold.viewer.window.desk import Desk
    from crankfold.viewer.window.main_window import Window
    from crankfold.viewer.window.run import Silence, application

    running, printer = application(), Printer()
    with tempfile.TemporaryDirectory() as scratch:
        window = Window(Silence())
        desk = Desk(window, load_plugins(enabled=False), Shelf(Path(scratch) / "shelf"), Path(scratch) / "kept")
        window.resize(*size)
        window.show()
        desk.show_start()
        count = 0

        def shot(what: str) -> None:
            nonlocal count
            count += 1
            for _ in range(3):
                running.processEvents()
            window.grab().save(str(folder / f"{name}-{size[0]}-{count:02d}-{what}.png"))

        def until(true: Callable[[], bool]) -> None:
            end_s = time.monotonic() + PATIENCE_S
            while not true():
                assert time.monotonic() < end_s, f"after picture {count}: it did not come about"
                running.processEvents()
                time.sleep(0.005)

        os.environ["XDG_CONFIG_HOME"] = scratch  # what is saved by name is looked for there, too
        desk.shelf.folder = Shelf().folder
        whole_run(hand, desk, until, REAL, shot)
        assert printer.pages == [desk.records.saved]
        print(f"{name}, {size[0]} x {size[1]}: {count} pictures, printed {printer.pages[0].name}")
        window.close()
    printer.close()


def main() -> int:
    """Film both hands in both sizes."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    folder = asked.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    for size in SIZES:
        for name, hand in (("mouse", Mouse()), ("finger", Finger())):
            filmed(name, hand, size, folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
