"""The virtual board under the rules that every board keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from crankfold.acquire.testing import PluginContract, SourceContract
from crankfold.plugins.virtual import board as virtual_board
from crankfold.plugins.virtual.board import VirtualBoard, open_board

if TYPE_CHECKING:
    from crankfold.acquire import Source

LOST = 250


@pytest.fixture(scope="module", autouse=True)
def compiled() -> None:
    """Let the compiler run once, so that no rule waits for it."""
    board = open_board("pace=flat,quiet=0.1,crank=0.1,after=0.1", {})
    board.start()
    board.close()


def unplug(source: Source) -> None:
    assert isinstance(source, VirtualBoard)
    source.unplug()


def lose(source: Source) -> int:
    assert isinstance(source, VirtualBoard)
    source.lose(LOST)
    return LOST


@pytest.mark.usefixtures("bench_clock")
class TestRealTime(SourceContract):
    stretch_s = 0.3
    pause_s = 1.0
    open_source = staticmethod(lambda: open_board("sync=waste-spark,quiet=0.2,crank=0.5,after=2.5", {}))
    break_it = staticmethod(unplug)
    lose = staticmethod(lose)


class TestFlatOut(SourceContract):
    stretch_s = 0.2
    open_source = staticmethod(lambda: open_board("pace=flat,quiet=0.3,crank=0.5,measure=battery-voltage", {}))
    break_it = staticmethod(unplug)


class TestPlugin(PluginContract):
    plugin = virtual_board
