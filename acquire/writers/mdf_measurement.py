"""A capture as an ASAM MDF measurement, version 4: codes with their linear conversion, one time for all channels."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.files import codes_of
from crankfold.acquire.writers.rows import kept_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Capture, Channel

VERSION = "4.10"


def image(capture: Capture) -> tuple[bytes, list[str]]:
    """Return the bytes of the file, and what it does not hold."""
    from asammdf import MDF

    rows = kept_rows(capture)
    times = rows / capture.rate_hz
    signals = [_signal(values[rows], times, channel)
               for values, channel in zip(capture.samples.T, capture.channels, strict=True)]
    with MDF(version=VERSION) as measurement, tempfile.TemporaryDirectory(prefix="crankfold-") as folder:
        measurement.append(signals, comment=capture.origin, common_timebase=True)
        if capture.started_utc is not None:
            measurement.header.start_time = capture.started_utc
        notes = "\n".join(f"{name}: {text}" for name, text in capture.notes.items())
        if notes:
            measurement.header.description = notes
        saved = measurement.save(Path(folder) / "capture.mf4", overwrite=True)
        content = Path(saved).read_bytes()
    return content, ["the trigger"] if capture.trigger_index is not None else []


def _signal(values: NDArray[np.float64], times: NDArray[np.float64], channel: Channel) -> Any:
    from asammdf import Signal

    codes = codes_of(values, channel)
    if codes.dtype.kind not in "iu":
        return Signal(values, times, unit=channel.unit, name=channel.name)
    return Signal(codes, times, unit=channel.unit, name=channel.name,
                  conversion={"a": channel.scale, "b": channel.offset})
