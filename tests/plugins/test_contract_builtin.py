"""Every plugin that comes with the program keeps every rule of the kit."""

from __future__ import annotations

import gzip
import importlib
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankfold.acquire.source import Source
from crankfold.acquire.storage import save_capture
from crankfold.acquire.testing import BROKEN, PluginContract, SourceContract, run_plugin_contract
from crankfold.analysis.capture import Capture, Gap
from crankfold.plugins import capture_file, csv_reader, serial_lines, virtual_board

BUILT_IN = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))[
    "project"]["entry-points"]["crankfold"]


@pytest.mark.parametrize("module", sorted(set(BUILT_IN.values())))
def test_every_built_in_plugin_keeps_the_rules_for_plugins(module: str) -> None:
    outcomes = run_plugin_contract(importlib.import_module(module))
    assert [(o.rule, o.detail) for o in outcomes if o.state == BROKEN] == []
    assert sum(o.state == "kept" for o in outcomes) >= 6


def test_every_entry_point_is_a_plugin_of_the_program() -> None:
    assert all(module.startswith("crankfold.plugins.") for module in BUILT_IN.values())


class TestCsvPlugin(PluginContract):
    plugin = csv_reader


class TestCsvFile(SourceContract):
    """A long file with missing rows, damaged lines and overload marks, gzipped."""

    stretch_s = 0.2

    @pytest.fixture(autouse=True)
    def _file(self, tmp_path_factory: pytest.TempPathFactory) -> None:
        self.path = tmp_path_factory.getbasetemp() / "contract.csv.gz"
        if self.path.exists():
            return
        lines = [f"{i / 10:.1f},{i % 97 - 40},{i % 5}" for i in range(30_000) if not 900 <= i < 950]
        lines[2000] = "torn"
        lines[4000:4010] = [line.rsplit(",", 2)[0] + ",OL,1" for line in lines[4000:4010]]
        self.path.write_bytes(gzip.compress(("Time (ms),Clamp (mV),Sync (V)\n" + "\n".join(lines)).encode(), 1))

    def open_source(self) -> Source:
        return csv_reader.open_csv(self.path, {})


class TestCaptureFile(SourceContract):
    stretch_s = 0.2

    @pytest.fixture(autouse=True)
    def _file(self, tmp_path: Path) -> None:
        self.path = tmp_path / "contract.h5"
        whole = Capture.from_arrays(np.arange(5000) % 300, rate_hz=10_000, sync=np.arange(5000) % 7)
        save_capture(Capture(whole.samples, 10_000, whole.channels, 700, (Gap(2000, 25),)), self.path)

    def open_source(self) -> Source:
        return capture_file.open_capture(self.path, {})


def open_virtual(**settings: str) -> Source:
    board, = virtual_board.crankfold_boards()
    return board.open("", settings)


class TestVirtualBoardFlatOut(SourceContract):
    stretch_s = 0.2
    open_source = staticmethod(lambda: open_virtual(pace="flat", crank="1", quiet="0.2", after="0.1"))


class TestVirtualBoardInRealTime(SourceContract):
    stretch_s = 0.2
    open_source = staticmethod(lambda: open_virtual(pace="real", crank="1.2", quiet="0.4", after="0.2", rate="5000"))


@pytest.fixture
def line_board(terminal: Any) -> Any:
    terminal.print_lines(lambda i: f"{500 + i % 300},{i % 9}\n".encode(), 500)
    return terminal


class TestBoardThatPrintsNumbers(SourceContract):
    """On a real terminal; its far end hangs up for the rules on breaking, and holds lines back for those on loss."""

    stretch_s = 0.3

    @pytest.fixture(autouse=True)
    def _board(self, line_board: Any) -> None:
        type(self).board = line_board

    board: Any = None

    def open_source(self) -> Source:
        return serial_lines.LineBoard(self.board.name, {})

    @staticmethod
    def break_it(_source: Source) -> None:
        TestBoardThatPrintsNumbers.board.pull_out()
