"""One Qt application that draws to nowhere, and sources that play a virtual engine faster than it turns."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

os.environ["QT_QPA_PLATFORM"] = "offscreen"

import pytest

from crankfold.viewer.session import Phase, Question, Session, SessionPlan, question_of
from crankfold.viewer.window.asking import NOTHING

sys.path.insert(0, str(Path(__file__).parent))
from paced_source import PacedSource, codes_of

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PySide6.QtWidgets import QApplication

    from crankfold.acquire import SourceInfo
    from crankfold.viewer.window.main_window import Window

@pytest.fixture(scope="session")
def recorded_codes() -> Callable[..., tuple[SourceInfo, NDArray[Any]]]:
    """Return what makes a virtual engine's codes, all of them, and its info."""
    kept: dict[str, tuple[SourceInfo, NDArray[Any]]] = {}

    def made(address: str) -> tuple[SourceInfo, NDArray[Any]]:
        if address not in kept:
            kept[address] = codes_of(address)
        return kept[address]

    return made


class HeardTones:
    """A sink that writes down."""

    def __init__(self) -> None:
        self.phases: list[Phase] = []

    def sound(self, phase: Phase) -> None:
        self.phases.append(phase)


@pytest.fixture(scope="session")
def application() -> QApplication:
    from crankfold.viewer.window.run import application as made

    return made()


@pytest.fixture
def no_hidden_errors(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fail on what Qt would only print: an exception in an event or slot."""
    seen: list[BaseException] = []
    monkeypatch.setattr(sys, "excepthook", lambda kind, error, trace: seen.append(error))
    yield
    assert not seen


class Bench:
    """Windows for a test, closed at its end."""

    def __init__(self, application: QApplication) -> None:
        self.application = application
        self.windows: list[Window] = []

    def window(self, *, wide: int = 1280, tall: int = 720) -> Window:
        from crankfold.viewer.window.main_window import Window

        window = Window(HeardTones())
        window.resize(wide, tall)
        window.show()
        self.windows.append(window)
        self.application.processEvents()
        return window

    def watch(self, window: Window, wanted: SessionPlan, *, retry_s: float = 0.2) -> list[Phase]:
        """Watch a source and return a list that goes on filling with each phase that the window has been in."""
        phases: list[Phase] = []
        take = window.take

        def taken(news: Any) -> None:
            take(news)
            if not phases or phases[-1] is not window.now.phase:
                phases.append(window.now.phase)

        window.take = taken  # type: ignore[method-assign]
        window.watch(Session(replace(wanted, retry_s=retry_s)))
        return phases

    def until(self, true: Callable[[], bool], *, seconds: float = 20.0) -> None:
        end_s = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < end_s, "it did not come about"
            self.application.processEvents()
            time.sleep(0.005)

    def close(self) -> None:
        for window in self.windows:
            window.close()
            window.deleteLater()
        self.application.processEvents()


@pytest.fixture
def bench(application: QApplication, no_hidden_errors: None) -> Iterator[Bench]:
    made = Bench(application)
    yield made
    made.close()


@pytest.fixture
def question() -> Callable[..., Question]:
    def asked(order: str = "1-3-4-2", sync: str | None = None) -> Question:
        return question_of({**NOTHING, "firing_order": order, "sync": sync})

    return asked


@pytest.fixture
def played() -> type[PacedSource]:
    return PacedSource


@pytest.fixture
def settings_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep rigs and engine cards in a folder of the test."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    return tmp_path / "settings"


@pytest.fixture
def desk(bench: Bench, settings_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Return what leads through the pages of a window, at its start page; files go to a folder of the test."""
    from crankfold.acquire import Shelf, load_plugins
    from crankfold.viewer.window.desk import Desk

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    made = Desk(bench.window(), load_plugins(enabled=False), Shelf(), tmp_path / "kept")
    made.show_start()
    bench.application.processEvents()
    return made
