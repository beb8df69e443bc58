"""A capture as a CSV table by RFC 4180: time, current and sync, names and units in the one header row."""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.writers.rows import heading, is_coded, kept_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Capture, Channel

SPARE_DIGITS = 2
"""Beyond the first that tells two codes apart: values then lie within a hundredth of a step of their code."""

TIME_SHARE = 1e-6  # of a sample interval, to which a written time is exact


def image(capture: Capture) -> tuple[bytes, list[str]]:
    """Return the bytes of the file, and what it does not hold."""
    rows = kept_rows(capture)
    columns = [_written(rows / capture.rate_hz, _decimals(TIME_SHARE / capture.rate_hz))]
    for values, channel in zip(capture.samples.T, capture.channels, strict=True):
        columns.append(_written(values[rows], _digits_of(channel)))
    head = io.StringIO()
    csv.writer(head, lineterminator="\r\n").writerow(
        ["time (s)", *(heading(channel.name, channel.unit) for channel in capture.channels)])
    body = "\r\n".join(map(",".join, zip(*columns, strict=True)))
    lost = [text for text, there in (("the start of the recording", capture.started_utc), ("the notes", capture.notes),
                                     ("the trigger", capture.trigger_index is not None)) if there]
    return (head.getvalue() + body + "\r\n").encode("utf-8"), lost


def _digits_of(channel: Channel) -> int | None:
    return _decimals(abs(channel.scale)) + SPARE_DIGITS if is_coded(channel) else None


def _decimals(step: float) -> int:
    """Return how many decimals tell two values apart that lie `step` apart."""
    return max(0, math.ceil(-math.log10(step)))


def _written(values: NDArray[np.float64], decimals: int | None) -> list[str]:
    """Return numbers as text: with so many decimals, or the shortest that give the same float again."""
    if decimals is None:
        return [repr(value) for value in values.tolist()]
    return [f"{value:.{decimals}f}" for value in values.tolist()]
