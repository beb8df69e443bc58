"""The description of a bench instrument that answers SCPI, ``crankfold.usb-tmc/1``: commands, preamble, channels.

Every key is explained in ``hardware_notes/usb-tmc.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import BoardGarbledError, TomlTable, read_toml
from crankfold.analysis import Channel
from crankfold.plugins.usb.folder import Described
from crankfold.plugins.usb.layout import DTYPES, MAX_CHANNELS

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = "crankfold.usb-tmc/1"
FLOATS = ("<f4", ">f4", "<f8", ">f8")
DEFAULT_TIMEOUT_S = 5.0  # an instrument may take seconds to change its range or to find a record
DEFAULT_REQUEST_BYTES = 1 << 16
DEFAULT_POLL_S = 0.05
MAX_FIELDS = 100


@dataclass(frozen=True)
class Preamble:
    """Where an instrument says what its codes are worth: fields of the answer to a query, counted from 1.

    ``value = (code - reference) * scale + offset``; a field of None is 0 for `reference` and `offset`, 1 for `scale`.
    """

    ask: str
    separator: str
    scale: int
    offset: int | None
    reference: int | None
    interval: int | None

    def parse(self, answer: str) -> tuple[float, float, float | None]:
        """Return scale, offset of ``value = code * scale + offset`` and the seconds between samples if it says so.

        Raises
        ------
        BoardGarbledError
            A field is missing or no number.
        """
        fields = answer.split(self.separator)
        scale = self._number(fields, self.scale, answer)
        offset = 0.0 if self.offset is None else self._number(fields, self.offset, answer)
        reference = 0.0 if self.reference is None else self._number(fields, self.reference, answer)
        interval = None if self.interval is None else self._number(fields, self.interval, answer)
        if scale == 0.0 or (interval is not None and interval <= 0.0):
            raise self._wrong(answer, "a scale that is not zero and an interval above zero")
        return scale, offset - reference * scale, interval

    def _number(self, fields: list[str], place: int, answer: str) -> float:
        try:
            number = float(fields[place - 1])
        except (IndexError, ValueError) as error:
            raise self._wrong(answer, f"a number as field {place}") from error
        if not np.isfinite(number):
            raise self._wrong(answer, f"a finite number as field {place}")
        return number

    def _wrong(self, answer: str, expected: str) -> BoardGarbledError:
        return BoardGarbledError(f"the instrument answers {answer[:60]!r} to {self.ask!r}, which lacks {expected}",
                                 "compare [preamble] in the description with its manual")


@dataclass(frozen=True)
class InstrumentChannel:
    """One channel: what the instrument calls it, what asks for its samples, and its scale without a preamble."""

    channel: Channel
    source: str
    read: str


@dataclass(frozen=True)
class InstrumentDescription(Described):
    """A bench instrument, read from its file.

    Parameters
    ----------
    idn
        What the answer to ``*IDN?`` has to contain.
    errors
        Query for the oldest error, empty when not asked.
    rate_hz, set_rate, ask_rate, min_hz, max_hz
        The rate unless told otherwise, the command and the query for it, its limits.
    setup, arm, ready, ready_answer, poll_s, stop
        What is sent once; what begins a record; the query and the answer that say it is there; the end.
    contiguous, lost
        Whether nothing is lost between records; the query for the number lost.
    triggered
        Whether the instrument's own trigger begins each record, which then is a capture of its own.
    dtype
        Of the samples in a block.
    preamble
        Where the scale is asked, None when the file gives it.
    """

    idn: str
    errors: str
    timeout_s: float
    request_bytes: int
    rate_hz: float
    set_rate: str
    ask_rate: str
    min_hz: float
    max_hz: float
    setup: tuple[str, ...]
    arm: tuple[str, ...]
    ready: str
    ready_answer: str
    poll_s: float
    stop: tuple[str, ...]
    contiguous: bool
    lost: str
    triggered: bool
    dtype: np.dtype[Any]
    preamble: Preamble | None
    channels: tuple[InstrumentChannel, ...]


def read_instrument(path: Path) -> InstrumentDescription:
    """Return the description in the TOML file at `path`.

    Raises
    ------
    FileFormatError
        The file cannot be read, or a key is missing, unknown, of the wrong kind or out of range.
    """
    top = read_toml(path, FORMAT)
    title = top.take_text("title")
    device, rate, record = top.need_table("device"), top.need_table("rate"), top.need_table("record")
    samples = top.need_table("samples")
    dtype = np.dtype(samples.take_choice("dtype", (*DTYPES, *FLOATS)))
    samples.done()
    preamble = _read_preamble(top.take_table("preamble"))
    channels = _read_channels(top, dtype, preamble)
    top.done()
    ready = record.take_text("ready", "")
    description = InstrumentDescription(
        path, title, device.take_integer("vendor_id", 0, 0xFFFF), device.take_integer("product_id", 0, 0xFFFF),
        device.take_text("idn", ""), device.take_text("errors", ""),
        device.take_number("timeout_s", DEFAULT_TIMEOUT_S, above=0.0),
        device.take_integer("request_bytes", 64, 1 << 24, DEFAULT_REQUEST_BYTES),
        rate.take_number("default_hz", above=0.0), rate.take_text("set", ""), rate.take_text("ask", ""),
        rate.take_number("min_hz", 0.0), rate.take_number("max_hz", 1e9, above=0.0),
        record.take_texts("setup", ()), record.take_texts("arm", ()), ready,
        record.take_text("ready_answer") if ready else record.take_text("ready_answer", ""),
        record.take_number("poll_s", DEFAULT_POLL_S, above=0.0), record.take_texts("stop", ()),
        record.take_flag("contiguous", False), record.take_text("lost", ""),
        record.take_flag("triggered", False), dtype, preamble, channels)
    for table in (device, rate, record):
        table.done()
    if description.set_rate and "{rate_hz}" not in description.set_rate:
        raise rate.wrong("set", "a command with {rate_hz} in it")
    if description.contiguous and description.lost:
        raise record.wrong("lost", "either contiguous or lost, not both")
    if description.triggered and (description.contiguous or description.lost):
        raise record.wrong("triggered", "no contiguous and no lost beside it: between two triggers nobody counts")
    return description


def _read_preamble(table: TomlTable | None) -> Preamble | None:
    if table is None:
        return None
    preamble = Preamble(
        table.take_text("ask"), table.take_text("separator", ","), table.take_integer("scale", 1, MAX_FIELDS),
        table.take_integer("offset", 1, MAX_FIELDS, None), table.take_integer("reference", 1, MAX_FIELDS, None),
        table.take_integer("interval", 1, MAX_FIELDS, None))
    table.done()
    return preamble


def _read_channels(top: TomlTable, dtype: np.dtype[Any], preamble: Preamble | None) -> tuple[InstrumentChannel, ...]:
    channels: list[InstrumentChannel] = []
    for table in top.take_tables("channels"):
        name = table.take_text("name")
        if name in [earlier.channel.name for earlier in channels]:
            raise table.wrong("name", "each channel another name")
        unit = table.take_text("unit", "V", empty=True)
        code_range = table.take_numbers("code_range", 2, None)
        if code_range is not None and not (float(code_range[0]).is_integer() and float(code_range[1]).is_integer()
                                           and code_range[0] < code_range[1]):
            raise table.wrong("code_range", "the lowest and the highest code, two whole numbers")
        scale, offset = table.take_number("scale", 1.0), table.take_number("offset", 0.0)
        if scale == 0.0:
            raise table.wrong("scale", "a scale that is not zero")
        if preamble is not None and ("scale" in table or "offset" in table):
            raise table.wrong("scale" if "scale" in table else "offset", "no scale here, the preamble gives it")
        limits = None if code_range is None else (int(code_range[0]), int(code_range[1]))
        channel = Channel(name, unit, scale, offset, limits, dtype.newbyteorder("=").name)
        channels.append(InstrumentChannel(channel, table.take_text("source", ""), table.take_text("read")))
        table.done()
    if not 1 <= len(channels) <= MAX_CHANNELS:
        raise top.wrong("channels", f"1 to {MAX_CHANNELS} channels, the cranking current first, each under "
                        "[[channels]]")
    return tuple(channels)
