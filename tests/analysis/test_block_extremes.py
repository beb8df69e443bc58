"""Extremes of blocks against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.sync.pulses import block_extremes


@pytest.mark.parametrize("block", [1, 3, 50])
def test_blocks_against_numpy(block):
    table = np.random.default_rng(6).standard_normal((1_001, 2))
    table[400:440, 1] = np.nan
    low, high = block_extremes(table[:, 1], block, 7.0)
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        part = table[k * block : (k + 1) * block, 1]
        part = part[np.isfinite(part)]
        assert (a, b) == ((part.min(), part.max()) if len(part) else (7.0, 7.0))
    assert len(low) == -(-1_001 // block)
