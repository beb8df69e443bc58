"""Reads a CSV file from start to end, as a program would, and keeps everything it said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.plugins.tables.csv_reader import open_csv

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from crankfold.acquire import SourceInfo


@dataclass(frozen=True)
class Recording:
    """Everything a source gave: values in units, NaN where a sample is known to be lost."""

    values: np.ndarray
    info: SourceInfo
    measured_rate_hz: float | None
    notices: dict[str, dict[str, object]]
    lost: int
    unknown_losses: int
    blocks: int

    @property
    def current(self) -> np.ndarray:
        return self.values[:, 0]

    @property
    def sync(self) -> np.ndarray:
        return self.values[:, 1]

    @property
    def units(self) -> tuple[str, ...]:
        return tuple(channel.unit for channel in self.info.channels)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(channel.name for channel in self.info.channels)


def read_to_the_end(path: Path, settings: dict[str, str]) -> Recording:
    with open_csv(path, settings) as source:
        source.start()
        info = source.info
        scale = np.array([channel.scale for channel in info.channels])
        pieces = [np.empty((0, len(scale)))]
        lost = unknown = blocks = index = 0
        while not source.finished:
            block = source.read(0.1)
            if block is None:
                continue
            assert block.first_index == index + (block.lost_before or 0)
            index = block.next_index
            blocks += 1
            unknown += block.lost_before is None
            lost += block.lost_before or 0
            pieces.append(np.full((block.lost_before or 0, len(scale)), np.nan))
            pieces.append(block.codes * scale)
        assert source.info is info or source.info == info
        said = {notice.code: dict(notice.facts) for notice in source.notices}
        return Recording(np.concatenate(pieces), info, source.measured_rate_hz, said, lost, unknown,
                         blocks)


@pytest.fixture
def read_csv(tmp_path: Path) -> Callable[..., Recording]:
    """Write bytes or text to a file and read it: ``read_csv(content, name="x.csv", rate="5000")``."""

    def read(content: bytes | str, name: str = "crank.csv", **settings: str) -> Recording:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_to_the_end(path, {key.replace("_", "-"): value for key, value in settings.items()})

    return read
