"""How a USB board lays samples out in bytes: the packet round them, one sample's word, and what a word is worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.analysis import Channel

if TYPE_CHECKING:
    from crankfold.acquire import TomlTable

DTYPES = ("u1", "i1", "<u2", ">u2", "<i2", ">i2", "<u4", ">u4", "<i4", ">i4")
SKIP = "skip"
MAX_CHANNELS = 64
MAX_PACKET_BYTES = 1 << 20


@dataclass(frozen=True)
class SampleLayout:
    """The words of the stream: one a channel, all channels of one instant together.

    Parameters
    ----------
    dtype
        numpy dtype of a word as it is on the wire.
    bits
        Significant bits in it.
    shift
        Bits below them that mean nothing (left-justified converters).
    check_spare
        Whether the bits above them have to be empty (or the sign), which tells a misread stream at once.
    names
        What each word carries; ``"skip"`` is left out of the samples.
    channels
        Those that are kept.
    skew_s
        From the first kept channel's instant to each kept channel's, seconds.
    """

    dtype: np.dtype[Any]
    bits: int
    shift: int
    check_spare: bool
    names: tuple[str, ...]
    channels: tuple[Channel, ...]
    skew_s: tuple[float, ...]

    @property
    def instant_bytes(self) -> int:
        """Bytes of all words of one instant."""
        return self.dtype.itemsize * len(self.names)

    @property
    def native(self) -> np.dtype[Any]:
        """The dtype that samples are handed on in: the wire's, in this computer's byte order."""
        return self.dtype.newbyteorder("=")


@dataclass(frozen=True)
class PacketLayout:
    """What stands round the samples.

    Parameters
    ----------
    size
        Bytes of a whole packet.
    header
        Bytes before the samples.
    trailer
        Bytes after them.
    magic
        First bytes of every packet; may be empty.
    sequence_at, sequence
        Offset and dtype of the number that counts packets, None when there is none.
    counts_samples
        Whether the number counts instants instead of packets.
    across_transfers
        Whether a packet may begin in one transfer and end in the next; otherwise a short transfer ends its packet.
    """

    size: int
    header: int
    trailer: int
    magic: bytes
    sequence_at: int
    sequence: np.dtype[Any] | None
    counts_samples: bool
    across_transfers: bool


def read_samples(table: TomlTable, channel_tables: tuple[TomlTable, ...]) -> SampleLayout:
    """Return the sample layout of ``[samples]`` and ``[[channels]]``.

    Raises
    ------
    FileFormatError
        A key is missing, unknown or out of range.
    """
    dtype = np.dtype(table.take_choice("dtype", DTYPES))
    width = 8 * dtype.itemsize
    bits = table.take_integer("bits", 1, width, width)
    shift = table.take_integer("shift", 0, width - bits, 0)
    check_spare = table.take_choice("spare_bits", ["empty", "ignore"], "empty") == "empty"
    table.done()
    names, channels, skews = [], [], []
    for channel_table in channel_tables:
        name = channel_table.take_text("name")
        if name != SKIP and name in names:
            raise channel_table.wrong("name", "each channel another name")
        if name != SKIP:
            skews.append(channel_table.take_number("skew_us", 0.0) * 1e-6)
            channels.append(_read_channel(channel_table, name, dtype, bits))
        names.append(name)
        channel_table.done()
    if not channels or len(names) > MAX_CHANNELS:
        raise table.wrong("channels", f"1 to {MAX_CHANNELS} channels, the cranking current first, each under "
                          "[[channels]] (outside [samples])")
    skew = tuple(value - skews[0] for value in skews)
    return SampleLayout(dtype, bits, shift, check_spare, tuple(names), tuple(channels), skew if any(skew) else ())


def _read_channel(table: TomlTable, name: str, dtype: np.dtype[Any], bits: int) -> Channel:
    unit = table.take_text("unit", "counts", empty=True)
    lowest = -(1 << bits - 1) if dtype.kind == "i" else 0
    lowest, highest = table.take_numbers("code_range", 2, (lowest, lowest + (1 << bits) - 1))
    if not (float(lowest).is_integer() and float(highest).is_integer() and lowest < highest):
        raise table.wrong("code_range", "the lowest and the highest code, two whole numbers")
    if "full_scale" in table:
        if "scale" in table or "offset" in table:
            raise table.wrong("full_scale", "either full_scale or scale and offset, not both")
        low, high = table.take_numbers("full_scale", 2)
        scale = (high - low) / (highest - lowest + 1)
        offset = low - lowest * scale
        problem = "full_scale"
    else:
        table.take_numbers("full_scale", 2, None)
        scale, offset = table.take_number("scale", 1.0), table.take_number("offset", 0.0)
        problem = "scale"
    if scale == 0.0:
        raise table.wrong(problem, "a scale that is not zero")
    return Channel(name, unit, scale, offset, (int(lowest), int(highest)), dtype.newbyteorder("=").name)


def read_packet(table: TomlTable | None, instant_bytes: int) -> PacketLayout | None:
    """Return the packet layout of ``[packet]``, None for a bare stream of samples.

    Raises
    ------
    FileFormatError
        A key is missing, unknown or out of range, or no whole instant fits.
    """
    if table is None:
        return None
    size = table.take_integer("bytes", 2, MAX_PACKET_BYTES)
    header = table.take_integer("header_bytes", 0, size, 0)
    trailer = table.take_integer("trailer_bytes", 0, size, 0)
    magic = read_hex(table, "magic", b"")
    width = table.take_choice("sequence", ["u1", "<u2", ">u2", "<u4", ">u4"], None)
    sequence = None if width is None else np.dtype(width)
    at = table.take_integer("sequence_at", 0, max(0, header - (sequence.itemsize if sequence else 0)),
                            None if sequence is None else 0)
    counts = table.take_choice("sequence_counts", ["packets", "samples"], "packets")
    across = table.take_flag("across_transfers", False)
    table.done()
    payload = size - header - trailer
    if payload < instant_bytes or payload % instant_bytes:
        raise table.wrong("bytes", f"header and trailer plus a multiple of {instant_bytes}, the bytes of one sample of "
                          "all channels")
    if len(magic) > header:
        raise table.wrong("magic", f"at most header_bytes = {header} bytes")
    if across and not magic:
        raise table.wrong("magic", "the first bytes of every packet, because packets go across transfers")
    return PacketLayout(size, header, trailer, magic, at or 0, sequence, counts == "samples", across)


def read_hex(table: TomlTable, key: str, default: bytes = b"") -> bytes:
    """Return the bytes that a text such as ``"a5 5a"`` writes, or `default` when the key is absent."""
    text = table.take_text(key, None)
    try:
        return default if text is None else bytes.fromhex(text)
    except ValueError as error:
        raise table.wrong(key, 'bytes as pairs of hexadecimal digits, such as "a5 5a"') from error
