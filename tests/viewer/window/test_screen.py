"""Without a screen, or without a library for it, the window says so in one line before Qt can end the program."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from crankfold.analysis import InputError
from crankfold.viewer.window import screen


def test_no_screen_is_one_line() -> None:
    bare = {k: v for k, v in os.environ.items() if k not in ("QT_QPA_PLATFORM", "DISPLAY", "WAYLAND_DISPLAY")}
    done = subprocess.run([Path(sys.executable).parent / "crankfold", "window", "--from", "virtual",
                           "--firing-order", "1-3-4-2"], env=bare, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "no screen" in done.stderr and len(done.stderr.splitlines()) == 1


def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    for name in ("QT_QPA_PLATFORM", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DISPLAY", ":7")
    monkeypatch.setattr(screen, "find_library", lambda name: None)
    with pytest.raises(InputError, match="libxcb-cursor0"):
        screen.check_screen()
    monkeypatch.setattr(screen, "find_library", lambda name: "found")
    screen.check_screen()


def test_qt_is_believed_where_it_is_told_its_platform(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    monkeypatch.delenv("DISPLAY", raising=False)
    screen.check_screen()
