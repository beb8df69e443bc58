"""Live blocks for a laboratory's own programs by the Lab Streaming Layer: values in units, one stream a board."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.errors import SettingError

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.contract import Block, Source

TYPE = "Measurement"
HELD_S = 30.0  # for an inlet that is slow


def lsl_outlet(source: Source, name: str) -> Callable[[Block], None]:
    """Return what publishes each block of a source as a stream of float32 samples.

    Time stamps are those of the last sample's arrival by the layer's own clock, so a loss is a jump in them.

    Parameters
    ----------
    source
        Open.
    name
        Of the stream.

    Raises
    ------
    SettingError
        The layer's library is missing.
    """
    try:
        import pylsl
    except (ImportError, RuntimeError, OSError) as error:  # the library itself may be missing where it has no wheel
        raise SettingError("the Lab Streaming Layer's library is not installed", "install crankfold[lsl]") from error
    info = source.info
    told = pylsl.StreamInfo(name, TYPE, len(info.channels), info.rate_hz, pylsl.cf_float32, f"crankfold-{info.address}")
    channels = told.desc().append_child("channels")
    for channel in info.channels:
        described = channels.append_child("channel")
        described.append_child_value("label", channel.name)
        described.append_child_value("unit", channel.unit)
    outlet = pylsl.StreamOutlet(told, max_buffered=round(HELD_S))
    scale = np.array([channel.scale for channel in info.channels])
    offset = np.array([channel.offset for channel in info.channels])

    def publish(block: Block) -> None:
        if len(block.codes):
            values = np.ascontiguousarray(block.codes * scale + offset, dtype=np.float32)
            outlet.push_chunk(values, pylsl.local_clock() - (time.monotonic() - block.arrived_s))

    return publish
