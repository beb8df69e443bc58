"""Every plugin that comes with the program keeps every rule for plugins, and what reads files those for sources.

The boards have theirs in `test_serial_contract`, `test_virtual_contract` and the emulated USB bus.
"""

from __future__ import annotations

import gzip
import importlib
import tomllib
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import Source, save_capture
from crankfold.acquire.testing import BROKEN, PluginContract, SourceContract, run_plugin_contract
from crankfold.analysis import Capture, Gap
from crankfold.plugins.tables import csv_reader
from crankfold.plugins.tables import hdf5 as capture_file

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
