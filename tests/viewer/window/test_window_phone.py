"""The window on a phone: a code in the window that a reader reads, and a phone that shows and asks."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zxingcpp
from hands import Mouse
from PySide6.QtGui import QImage

from crankfold.analysis import InputError
from crankfold.viewer.picture import look
from crankfold.viewer.session import Phase, SessionPlan
from crankfold.viewer.share import LOOPBACK, Place, Shared

sys.path.insert(0, str(Path(__file__).parents[1] / "share"))
from phone_browser import PhoneBrowser

LEAST_MODULE_MM = 1.2  # at half a metre a code of so large modules fills what a phone's camera needs; common practice


@pytest.fixture
def shown(desk: Any) -> Iterator[Any]:
    """Return a desk whose window is served on this computer, its phone allowed to arm and pause."""
    desk.phone.serve(Shared(Place(), control=True))
    yield desk
    desk.phone.close()


def read_code(window: Any) -> list[str]:
    """Return what codes a reader finds in what the window shows."""
    image = window.grab().toImage().convertToFormat(QImage.Format.Format_Grayscale8)
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    return [found.text for found in zxingcpp.read_barcodes(np.ascontiguousarray(rows[:, : image.width()]))]


@pytest.mark.parametrize("paper", [look.LIGHT, look.DARK], ids=["light", "dark"])
@pytest.mark.parametrize("size", [(1366, 768), (800, 1280)], ids=["wide", "upright"])
def test_the_code_on_the_screen_is_read_and_is_the_address(shown: Any, bench: Any, paper: Any,
                                                           size: tuple[int, int]) -> None:
    window = shown.window
    window.resize(*size)
    window.pile.use_paper(paper)
    Mouse().action(window, "phone")
    bench.application.processEvents()
    assert read_code(window) == [shown.phone.sharing.address]
    code = shown.phone.page.code
    pixels = min(code.width(), code.height()) // len(code.modules)
    assert pixels / window.screen().physicalDotsPerInch() * 25.4 >= LEAST_MODULE_MM


def test_a_phone_follows_the_window_and_its_buttons_work(shown: Any, bench: Any, played: Any, recorded_codes: Any,
                                                         question: Any, tmp_path: Path) -> None:
    info, codes = recorded_codes("engine=pump,dead=3,quiet=2,crank=3,after=3,rate=2000,sync=waste-spark")
    window = shown.window
    with PhoneBrowser(tmp_path / "profile") as browser:
        phone = browser.page(shown.phone.sharing.address)
        phone.until("Nothing is being tested.")
        plan = SessionPlan(lambda: played(info, codes, speed=5.0), question(sync="waste-spark:1"))
        window.begin(plan, ("Brake on.",))
        phone.until("Before cranking.")
        Mouse().action(window, "tick")
        bench.until(lambda: window.now.phase is Phase.NAMED)
        phone.until("Cylinder 3 has no compression.")
        bench.until(lambda: window.now.stage is not Phase.READYING)
        phone.press({Phase.OVER: "Try again"}.get(window.now.stage, "Pause"))
        was = window.now.stage
        bench.until(lambda: window.now.stage is not was)
        window.act("start")
        phone.until("Nothing is being tested.")
        window.close()
        phone.until("Connection lost.")


def test_watching_alone_lets_nobody_press(desk: Any) -> None:
    desk.phone.serve(Shared(Place(), control=False))
    assert desk.phone.sharing._ask is None
    assert LOOPBACK in desk.phone.sharing.address
    desk.phone.close()


def test_pausing_and_arming_again(bench: Any, desk: Any, played: Any, recorded_codes: Any, question: Any) -> None:
    info, codes = recorded_codes("engine=pump,quiet=4,cranks=0,after=4,rate=2000")
    window = desk.window
    window.pile.clear()
    phases = bench.watch(window, SessionPlan(lambda: played(info, codes, speed=2.0), question()))
    bench.until(lambda: phases[-1:] == [Phase.ARMED])
    Mouse().action(window, "rest")
    bench.until(lambda: phases[-1] is Phase.RESTING)
    assert window.page.buttons.actions_[0] == "arm"
    Mouse().action(window, "arm")
    bench.until(lambda: phases[-1] is Phase.ARMED)


def test_a_place_that_is_taken_is_one_sentence(shown: Any, desk: Any) -> None:
    port = shown.phone.sharing.port
    from crankfold.viewer.share import Sharing

    with pytest.raises(InputError, match="choose another with --share-at"):
        Sharing(Place(port=port))


def test_the_window_that_is_closed_serves_nothing(shown: Any) -> None:
    sharing = shown.phone.sharing
    shown.window.close()
    assert shown.phone.sharing is None
    assert not sharing._thread.is_alive()
