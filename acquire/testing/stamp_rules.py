"""The rules for what only some boards tell: time stamps of their own, records that the hardware triggers."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from crankfold.acquire.testing.outcome import NotTriedError, require, rule
from crankfold.acquire.testing.source_case import SourceCase, said_rate_hz

if TYPE_CHECKING:
    from crankfold.acquire.contract import Block

APART = 0.1
"""Of the time between two stamps: a wrong unit or the stamp of another sample shows."""

STEP_SAMPLES = 2.0
"""A stamp may be off by a sample or two: clocks count in steps of their own."""


@rule("device-stamps", "time stamps of the board's own clock go up and agree with the numbering of the samples")
def device_stamps(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        rate_hz = said_rate_hz(stretch.source.info)
        stamped = [block for block in stretch.blocks(max(1.0, case.stretch_s)) if block.device_s is not None]
    if len(stamped) < 2:
        raise NotTriedError("it has no time stamps of its own")
    for before, after in pairwise(stamped):
        if after.lost_before is not None and not before.ends_record:
            _check_step(before, after, rate_hz)


def _check_step(before: Block, after: Block, rate_hz: float) -> None:
    assert before.device_s is not None
    assert after.device_s is not None
    told_s, expected_s = after.device_s - before.device_s, (after.first_index - before.first_index) / rate_hz
    require(told_s >= 0.0, f"the board's clock went back by {-told_s:g} s")
    require(abs(told_s - expected_s) <= APART * expected_s + STEP_SAMPLES / rate_hz,
            f"{after.first_index - before.first_index} samples took {told_s:g} s by the board's clock, by info's rate "
            f"{expected_s:g} s")


@rule("records-end", "a source whose hardware triggers ends every record; one that streams ends none")
def records_end(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        records = stretch.source.info.records
        blocks = list(stretch.blocks(max(1.0, case.stretch_s)))
    if not records:
        require(not any(block.ends_record for block in blocks), "a record ends though info says that it gives none")
        return
    require(all(before.ends_record for before, after in pairwise(blocks) if after.lost_before is None),
            "a record begins before the one before it has ended")
    for block in blocks:
        inside = block.trigger_index is None or block.first_index <= block.trigger_index < block.next_index
        require(inside, f"the trigger at {block.trigger_index} is not among the samples {block.first_index} to "
                f"{block.next_index}")
