"""The whole of a source that is a capture already, block after block, without trigger or ring."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.errors import AcquireError
from crankfold.acquire.stream.caught import make_capture
from crankfold.acquire.stream.ring import Piece
from crankfold.analysis import Gap

if TYPE_CHECKING:
    from crankfold.acquire.contract import Block, Source
    from crankfold.analysis import Capture

READ_S = 1.0


def read_captured(source: Source) -> Capture:
    """Return all of a started source as one capture with the trigger index it came with.

    Raises
    ------
    AcquireError
        The source is broken, empty, or misses an unknown number of samples.
    """
    blocks: list[Block] = []
    while not source.finished:
        block = source.read(READ_S)
        if block is not None:
            blocks.append(block)
    if not blocks:
        raise AcquireError(f"{source.info.title} holds no samples", "record again")
    info = source.info
    codes = np.zeros((len(info.channels), blocks[-1].next_index), info.dtype)
    gaps = []
    for block in blocks:
        if block.lost_before is None:
            raise AcquireError(f"{info.title} misses an unknown number of samples", "record again")
        if block.lost_before:
            gaps.append(Gap(block.first_index - block.lost_before, block.lost_before))
        codes[:, block.first_index : block.next_index] = block.codes.T
    return make_capture(Piece(codes, 0, tuple(gaps)), info, rate_hz=source.measured_rate_hz or info.rate_hz,
                        trigger_index=info.trigger_index, started_utc=info.started_utc, notices=source.notices)
