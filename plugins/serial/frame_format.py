"""What the bytes of the open frame format mean, as hardware_notes/frames.md lays them down: hello, data, commands."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import CURRENT, LEFT_OUT, SYNC, SettingError
from crankfold.analysis import shortened

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

FORMAT = 1

HELLO = 0x01
DATA = 0x02

WHAT = 0x11
RATE = 0x12
START = 0x13
STOP = 0x14
INPUTS = 0x15

DONE = 0

DATA_HEADER_BYTES = 7
SEQUENCE_WRAP = 1 << 16
OVERRUN_WRAP = 1 << 32

PACKED_12_BIT = 1
SIGNED_16_BIT = 2
UNSIGNED_16_BIT = 3
DTYPES = {PACKED_12_BIT: np.dtype(np.int16), SIGNED_16_BIT: np.dtype(np.int16), UNSIGNED_16_BIT: np.dtype(np.uint16)}

MOST_CHANNELS = 8

_HEAD = struct.Struct("<BBBBBBBHiiIII")
_CHANNEL = struct.Struct("<Iii")
_RATE = struct.Struct("<BI")
_INPUTS = struct.Struct("<BB")
_NAME = re.compile(r"-|[^\W\d_][\w .%/#-]{0,39}")
USUAL = (CURRENT, SYNC)


@dataclass(frozen=True)
class ChannelHello:
    """What a board says of one channel.

    Parameters
    ----------
    skew_s
        From the sampling of the first channel to that of this one, seconds.
    scale_v, offset_v
        Volts at the pin = code * `scale_v` + `offset_v`.
    """

    skew_s: float
    scale_v: float
    offset_v: float


@dataclass(frozen=True)
class Hello:
    """What a board says of itself, in answer to every command and, unasked, when it starts.

    Parameters
    ----------
    answers
        The command this answers, 0 when unasked.
    refused
        Whether that command was not carried out.
    streaming
        Whether data frames are being sent.
    layout
        How samples are laid out: one of the keys of `DTYPES`.
    frame_samples
        Samples of each channel in every data frame.
    code_range
        Lowest and highest code.
    rate_hz
        Exact: the board's clock over its divider.
    highest_rate_hz
        The highest that may be asked for.
    channels
        One a channel.
    title
        For people.
    inputs
        How many inputs the board has to choose the channels from, 0 when there is no choice.
    """

    answers: int
    refused: bool
    streaming: bool
    layout: int
    frame_samples: int
    code_range: tuple[int, int]
    rate_hz: float
    highest_rate_hz: float
    channels: tuple[ChannelHello, ...]
    title: str
    inputs: int = 0

    @property
    def data_bytes(self) -> int:
        """Length of a data frame before its checksum."""
        values = self.frame_samples * len(self.channels)
        return DATA_HEADER_BYTES + (values * 3 // 2 if self.layout == PACKED_12_BIT else values * 2)


def parse_hello(payload: bytes) -> Hello:
    """Return what a hello frame says.

    Raises
    ------
    ValueError
        It does not follow the format, or follows a later one.
    """
    try:
        (_, version, answers, status, streaming, count, layout, frame_samples, low, high, clock_hz, divider,
         highest_hz) = _HEAD.unpack_from(payload)
        raw = [_CHANNEL.unpack_from(payload, _HEAD.size + i * _CHANNEL.size) for i in range(count)]
    except struct.error as error:
        raise ValueError(f"a hello of {len(payload)} bytes is too short") from error
    if version != FORMAT:
        raise ValueError(f"the board speaks frame format {version}, this program {FORMAT}")
    if not 1 <= count <= MOST_CHANNELS or layout not in DTYPES or not frame_samples or not clock_hz or not divider:
        raise ValueError(f"a hello with {count} channels, layout {layout}, {frame_samples} samples a frame and a "
                         f"rate of {clock_hz}/{divider} cannot be")
    if layout == PACKED_12_BIT and frame_samples * count % 2:
        raise ValueError("packed values come in twos, but a frame holds an odd number")
    channels = tuple(ChannelHello(skew * 1e-9, scale * 1e-9, offset * 1e-6) for skew, scale, offset in raw)
    if any(channel.scale_v == 0 for channel in channels):
        raise ValueError("a channel has a scale of zero")
    title = payload[_HEAD.size + count * _CHANNEL.size :].decode("utf-8", "replace")
    return Hello(answers, status != DONE, bool(streaming & 1), layout, frame_samples, (low, high), clock_hz / divider,
                 float(highest_hz), channels, title, streaming >> 4)


def build_hello(hello: Hello, *, clock_hz: int, divider: int) -> bytes:
    """Return the payload of a hello frame; for boards made of Python and for tests."""
    head = _HEAD.pack(HELLO, FORMAT, hello.answers, int(hello.refused), int(hello.streaming) | hello.inputs << 4,
                      len(hello.channels),
                      hello.layout, hello.frame_samples, *hello.code_range, clock_hz, divider,
                      round(hello.highest_rate_hz))
    channels = b"".join(_CHANNEL.pack(round(c.skew_s * 1e9), round(c.scale_v * 1e9), round(c.offset_v * 1e6))
                        for c in hello.channels)
    return head + channels + hello.title.encode()


def build_command(command: int, rate_hz: int | None = None) -> bytes:
    """Return the payload of a command frame; `rate_hz` goes with `RATE` only."""
    return bytes([command]) if rate_hz is None else _RATE.pack(command, rate_hz)


def build_inputs(numbers: Iterable[int]) -> bytes:
    """Return the payload of the command that chooses inputs, numbered from 0."""
    return _INPUTS.pack(INPUTS, sum(1 << number for number in set(numbers)))


def build_data(sequence: int, overrun: int, codes: NDArray[Any], layout: int) -> bytes:
    """Return the payload of a data frame; `codes`, shape (samples, channels)."""
    head = struct.pack("<BHI", DATA, sequence % SEQUENCE_WRAP, overrun % OVERRUN_WRAP)
    if layout != PACKED_12_BIT:
        return head + codes.astype(DTYPES[layout].newbyteorder("<")).tobytes()
    first, second = codes.astype(np.uint16).reshape(-1, 2).T
    packed = np.stack([first & 0xFF, first >> 8 | (second & 0xF) << 4, second >> 4], axis=1)
    return head + packed.astype(np.uint8).tobytes()


def sequences(frames: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return sequence number and overrun count of each data frame, both shape (frames,)."""
    head = frames[:, 1:DATA_HEADER_BYTES].astype(np.int64)
    sequence = head[:, 0] | head[:, 1] << 8
    overrun = head[:, 2] | head[:, 3] << 8 | head[:, 4] << 16 | head[:, 5] << 24
    return sequence, overrun


def unpack(frames: NDArray[np.uint8], layout: int, channels: int) -> NDArray[Any]:
    """Return the codes of data frames, shape (samples, channels), of the dtype of the layout.

    Parameters
    ----------
    frames : ndarray, shape (frames, bytes), uint8
        Payloads of data frames, all of the length that hello announced.
    """
    body = frames[:, DATA_HEADER_BYTES:]
    if layout != PACKED_12_BIT:
        plain = np.ascontiguousarray(body).view(DTYPES[layout].newbyteorder("<"))
        return plain.astype(DTYPES[layout], copy=False).reshape(-1, channels)
    triples = np.ascontiguousarray(body).reshape(-1, 3)
    codes = np.empty((len(triples), 2), np.int16)
    middle = triples[:, 1].astype(np.int16)
    codes[:, 0] = (middle & 0x0F) << 8 | triples[:, 0]
    codes[:, 1] = triples[:, 2].astype(np.int16) << 4 | middle >> 4
    return codes.reshape(-1, channels)


@dataclass(frozen=True)
class NamedInput:
    """An input of the board, by its number from 0, and what its channel is called."""

    number: int
    name: str


def named_inputs(text: str, count: int) -> tuple[NamedInput, ...]:
    """Return the inputs to hand on, the current first and the sync mark second.

    Parameters
    ----------
    text
        Names of the inputs in their order, ``-`` for one to leave out, ``current`` once among them; or the number of
        the current's input and, after a comma, that of the sync signal, from 1. Empty for the first two inputs.
    count
        How many inputs the board has.

    Raises
    ------
    SettingError
        They do not fit the board.

    >>> [(each.number, each.name) for each in named_inputs("sync,current,battery,-", 4)]
    [(1, 'current'), (0, 'sync'), (2, 'battery')]
    >>> [(each.number, each.name) for each in named_inputs("3,1", 4)]
    [(2, 'current'), (0, 'sync')]
    """
    parts = [" ".join(part.lower().split()) for part in text.split(",")]
    if not text.strip():
        found = [NamedInput(number, name) for number, name in enumerate(USUAL[:count])]
    elif all(part.isascii() and part.isdigit() for part in parts):
        found = [NamedInput(int(part[:9]) - 1, name) for part, name in zip(parts, USUAL, strict=False)]
        found = found if len(parts) <= len(USUAL) else []
    elif all(_NAME.fullmatch(part) for part in parts):
        found = [NamedInput(number, name) for number, name in enumerate(parts) if name != LEFT_OUT]
    else:
        found = []
    numbers, names = {each.number for each in found}, {each.name for each in found}
    fits = numbers <= set(range(count)) and len(numbers) == len(names) == len(found)
    if CURRENT not in names or not fits:
        raise SettingError(f"channels={shortened(text)} cannot be used with a board of {count} channels",
                           "name its channels in order, current among them and - for one to leave out, or give the "
                           "number of the current's channel and, after a comma, that of the sync signal")
    return tuple(sorted(found, key=lambda each: (each.name != CURRENT, each.name != SYNC, each.number)))
