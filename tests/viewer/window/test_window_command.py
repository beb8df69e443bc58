"""The command that opens the window: what it refuses, and that it says what to install where Qt is missing."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest


@pytest.mark.parametrize("missing", ["PySide6", "pyqtgraph"])
def test_without_qt_it_says_what_to_install(in_process: Any, monkeypatch: pytest.MonkeyPatch, missing: str) -> None:
    from crankfold.viewer.commands import window

    found = window.find_spec
    monkeypatch.setattr(window, "find_spec", lambda name: None if name == missing else found(name))
    done = in_process("window", "--from", "virtual", "--firing-order", "1-3-4-2")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "pip install 'crankfold[window]'" in done.stderr


@pytest.mark.parametrize(("arguments", "words"), [
    (("some.csv", "--from", "virtual", "--firing-order", "1-2"), "both a FILE and --from"),
    (("some.csv",), "no such file"),
    (("--from", "virtual", "--firing-order", "1-1"), "twice"),
    (("--rig", "nobody"), "no rig called"),
    (("--paper", "pink"), "light"),
])
def test_mistakes_are_one_line(in_process: Any, settings_folder: Path, arguments: tuple[str, ...], words: str) -> None:
    done = in_process("window", *arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_command_shows_a_window_and_ends_when_it_is_closed(dead_csv: Path, tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from PySide6.QtCore import QTimer\n"
        "from crankfold.viewer.window import run\n"
        "from crankfold.viewer import command_line\n"
        "app = run.application()\n"
        "def look():\n"
        "    (window,) = [w for w in app.topLevelWidgets() if hasattr(w, 'page')]\n"
        "    if window.now.phase.value == 'uneven-named':\n"
        "        timer.stop()\n"
        "        print(window.page.head.spoken.headline)\n"
        "        window.close()\n"
        "timer = QTimer(); timer.timeout.connect(look); timer.start(50)\n"
        f"sys.exit(command_line.run(['window', {str(dead_csv)!r}, '--firing-order', '1-3-4-2', '--sync',"
        " 'waste-spark:1', '--silent']))\n")
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "XDG_CONFIG_HOME": str(tmp_path)}
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], env=environment, text=True, capture_output=True,
                          check=False)
    assert done.stdout.strip() == "Cylinder 3 has no compression.", done.stderr
    assert done.returncode == 0
    assert "Traceback" not in done.stderr


def test_a_scaled_screen_gets_as_many_more_pixels(tmp_path: Path) -> None:
    code = (
        "import numpy as np\n"
        "from PySide6.QtGui import QImage\n"
        "from crankfold.viewer.window import run\n"
        "from crankfold.viewer.window.main_window import Window\n"
        "from crankfold.viewer.session.news import NoBoard\n"
        "from crankfold.viewer.window.run import Silence\n"
        "app = run.application()\n"
        "window = Window(Silence()); window.resize(1280, 720); window.show()\n"
        "window.take(NoBoard('there is no board', 'plug one in')); app.processEvents()\n"
        "image = window.page.head.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)\n"
        "pixels = np.frombuffer(image.constBits(), np.uint32).reshape(image.height(), image.width()) & 0xffffff\n"
        "rows = np.flatnonzero((pixels[: len(pixels) // 2] == 0xb02d15).any(axis=1))\n"
        "print(window.grab().toImage().width(), np.ptp(rows), (pixels == 0xb02d15).sum())\n"
        "window.close()\n")
    seen = []
    for scale in ("1", "2"):
        environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "QT_SCALE_FACTOR": scale}
        done = subprocess.run([sys.executable, "-W", "error", "-c", code], env=environment, text=True,
                              capture_output=True, check=True)
        seen.append([int(part) for part in done.stdout.split()])
    (wide, tall, ink), (wide2, tall2, ink2) = seen
    assert (wide, wide2) == (1280, 2560)
    assert tall >= 50  # capitals of the headline, in a window of 720
    assert tall2 == pytest.approx(2 * tall, rel=0.05)
    assert ink2 == pytest.approx(4 * ink, rel=0.1)
