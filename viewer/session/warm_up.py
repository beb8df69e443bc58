"""Everything heavy made ready before samples stream: modules loaded, the solver compiled, by judging a made-up crank.

Loading and compiling hold the interpreter for seconds, and a board's samples would wait that long.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from crankfold.acquire import Plugins

VIRTUAL = "virtual"
RATE_HZ = 1000.0
QUIET_S, CRANK_S = 0.5, 2.6
HUMP_HZ = 6.5
MEAN_A, HUMP_A, INRUSH_A = 160.0, 60.0, 400.0


def prepare_virtual(plugins: Plugins) -> None:
    """Compile the virtual engine by a short run flat out; live, it would be taken for a board that sends nothing."""
    from crankfold.acquire import open_board, record

    brief = {"pace": "flat", "quiet": "0.1", "crank": "0.2", "after": "0.1", "rate": "1000"}
    for _ in record(open_board(VIRTUAL, brief, plugins)):
        pass


def prepare_solver() -> None:
    """Load and compile what judging needs; its answer to the made-up crank is thrown away."""
    from crankfold.analysis import Capture, Engine, analyse

    analyse(Capture.from_arrays(_crank(), rate_hz=RATE_HZ), Engine((1, 2, 3, 4)))


def _crank() -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    since = np.arange(round(RATE_HZ * (QUIET_S + CRANK_S + QUIET_S))) / RATE_HZ - QUIET_S
    humps = MEAN_A + HUMP_A * np.cos(2.0 * np.pi * HUMP_HZ * since) + INRUSH_A * np.exp(-np.maximum(since, 0.0) / 0.05)
    noise = np.random.default_rng(0).standard_normal(len(since))
    return np.where((since >= 0.0) & (since < CRANK_S), humps, 0.0) + noise
