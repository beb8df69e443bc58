"""Byte streams cut into checked frames: COBS between zero bytes, with a CRC-16 at the end of each.

COBS is Cheshire and Baker's consistent overhead byte stuffing (1999). The checksum is the CRC-16 with polynomial 0x1021
from 0xFFFF, high byte last but one, which catalogues call CRC-16/IBM-3740. Frames of at most `PLAIN_LIMIT` bytes keep
one length whatever they hold, and a chunk full of equal ones is decoded as one array.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from fastcrc import crc16

from crankfold.plugins.serial.frame_format import OVERRUN_WRAP, SEQUENCE_WRAP

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

PLAIN_LIMIT = 254
"""Bytes, checksum included, up to which coding always adds one byte and no more."""

LONGEST_FRAME = 4096
"""Bytes without a zero after which what comes is not frames at all; the longest that the format allows is 254."""

ARRAY_FROM = 12
"""Equal frames in a row from which decoding them as one array is quicker than one by one (measured)."""

CRC_BYTES = 2
BUFFERED_S = 2.0
"""How much longer than the time between two reads a gap in the samples may be: what drivers hold back, and the rate's
tolerance. A loss that would have taken longer than that cannot have happened."""


def cobs_encode(data: bytes) -> bytes:
    """Return `data` coded so that it holds no zero byte; the zero that ends a frame is not added."""
    coded = bytearray()
    pieces = data.split(b"\0")
    for piece in pieces:
        rest = piece
        while len(rest) >= PLAIN_LIMIT:
            coded.append(0xFF)
            coded += rest[:PLAIN_LIMIT]
            rest = rest[PLAIN_LIMIT:]
        coded.append(len(rest) + 1)
        coded += rest
    if pieces[-1] and len(pieces[-1]) % PLAIN_LIMIT == 0:
        coded.pop()  # a full block at the very end needs no empty one after it
    return bytes(coded)


def cobs_decode(coded: bytes) -> bytes:
    """Return the data that `coded`, without its closing zero, stands for.

    Raises
    ------
    ValueError
        A length byte is zero or points beyond the end.
    """
    data = bytearray()
    at, end = 0, len(coded)
    while at < end:
        code = coded[at]
        if code == 0 or at + code > end:
            raise ValueError(f"length byte {code} at {at} of {end}")
        data += coded[at + 1 : at + code]
        at += code
        if code != 0xFF and at < end:
            data.append(0)
    return bytes(data)


def encode_frame(payload: bytes) -> bytes:
    """Return `payload` with its checksum, coded, and the zero byte that ends it."""
    return cobs_encode(payload + crc16.ibm_3740(payload).to_bytes(CRC_BYTES, "big")) + b"\0"


def decode_frame(coded: bytes) -> bytes | None:
    """Return the payload of one coded frame without its closing zero, None if it is damaged."""
    try:
        checked = cobs_decode(coded)
    except ValueError:
        return None
    if len(checked) <= CRC_BYTES or crc16.ibm_3740(checked) != 0:
        return None
    return checked[:-CRC_BYTES]


def crc_of_rows(rows: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Return the checksum of each row of bytes, shape (frames,); 0 where the row ends with its own checksum.

    Parameters
    ----------
    rows : ndarray, shape (frames, bytes), uint8
    """
    whole = np.ascontiguousarray(rows).view(f"V{rows.shape[1]}")  # a row as one item is quickest to hand over
    return np.fromiter(map(crc16.ibm_3740, whole[:, 0].tolist()), np.uint16, len(rows))


def decode_equal(coded: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return the payloads of equally long coded frames, and which of them are sound.

    Parameters
    ----------
    coded : ndarray, shape (frames, coded bytes), uint8
        Without the closing zeros; at most ``PLAIN_LIMIT + 1`` bytes wide, more than three.

    Returns
    -------
    payloads : ndarray, shape (frames, coded bytes - 3), uint8
    sound : ndarray, shape (frames,), bool
    """
    frames, width = coded.shape
    flat = coded.flatten()
    ends = np.arange(width, (frames + 1) * width, width)
    sound = np.ones(frames, dtype=np.bool_)
    at, end = ends - width, ends
    while len(at):  # every frame's length bytes at once, from each to the next
        step = flat[at]
        flat[at] = 0
        at += step
        going = (at < end) & (step > 0)
        if not going.all():
            sound[end[(at > end) | (step == 0)] // width - 1] = False
            at, end = at[going], end[going]
    checked = flat.reshape(frames, width)[:, 1:]
    sound &= crc_of_rows(checked) == 0
    return checked[:, :-CRC_BYTES], sound


class FrameDecoder:
    """Cuts a byte stream into frames, keeping what is left of the last one for the next chunk.

    Attributes
    ----------
    damaged
        Frames so far whose coding or checksum is wrong.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self._rest = b""

    def reset(self) -> None:
        """Forget the beginning of a frame, after the stream was interrupted on purpose."""
        self._rest = b""

    def feed(self, chunk: bytes) -> Iterator[NDArray[np.uint8]]:
        """Yield the sound payloads that `chunk` completes, in order, as arrays of shape (frames, bytes)."""
        stream = self._rest + chunk if self._rest else chunk
        data = np.frombuffer(stream, np.uint8)
        zeros = np.flatnonzero(data == 0)
        self._rest = stream[int(zeros[-1]) + 1 :] if len(zeros) else stream
        if len(self._rest) > LONGEST_FRAME:
            self.damaged += 1
            self._rest = b""
        if not len(zeros):
            return
        widths = zeros - 1
        widths[1:] -= zeros[:-1]
        widths[0] += 1
        changes = np.flatnonzero(widths[1:] != widths[:-1]) + 1
        for first, last in pairwise([0, *changes.tolist(), len(zeros)]):
            width = int(widths[first])
            begin = int(zeros[first]) - width
            yield from self._decode_run(data[begin : begin + (last - first) * (width + 1)], width)

    def _decode_run(self, data: NDArray[np.uint8], width: int) -> Iterator[NDArray[np.uint8]]:
        coded = data.reshape(-1, width + 1)[:, :width]
        if width == 0:
            return  # two zeros in a row: an empty frame, which some boards send to start afresh
        if len(coded) >= ARRAY_FROM and CRC_BYTES + 1 < width <= PLAIN_LIMIT + 1:
            payloads, sound = decode_equal(coded)
            self.damaged += len(sound) - int(np.count_nonzero(sound))
            payloads = payloads if sound.all() else payloads[sound]
            if len(payloads):
                yield payloads
            return
        for row in coded:
            payload = decode_frame(row.tobytes())
            if payload is None:
                self.damaged += 1
            else:
                yield np.frombuffer(payload, np.uint8)[np.newaxis, :]


class FrameLoss:
    """Follows the counters of data frames.

    Parameters
    ----------
    frame_samples
        Samples of each channel in a data frame.
    rate_hz
        Samples a second.
    """

    def __init__(self, *, frame_samples: int, rate_hz: float) -> None:
        self._frame_samples = frame_samples
        self._rate_hz = rate_hz
        self._sequence = SEQUENCE_WRAP - 1
        self._overrun = 0
        self._seen_s = 0.0
        self._torn = False

    def restart(self, now_s: float, *, torn: bool = False) -> None:
        """Expect the first frame of a stream that begins now; `torn` when samples of an earlier stream were lost."""
        self._sequence, self._overrun, self._seen_s, self._torn = SEQUENCE_WRAP - 1, 0, now_s, torn

    def before(self, sequence: NDArray[np.int64], overrun: NDArray[np.int64],
               now_s: float) -> list[tuple[int, int | None]]:
        """Return where samples are missing in front of frames that arrived together.

        Parameters
        ----------
        sequence, overrun : ndarray, shape (frames,)
            The counters of the frames.
        now_s
            Time of arrival, seconds.

        Returns
        -------
        list of (frame, lost)
            Frame number within the arrays, and samples of each channel missing before it, None if nobody knows.
        """
        frames = (np.diff(sequence, prepend=self._sequence) - 1) % SEQUENCE_WRAP
        thrown = np.diff(overrun, prepend=self._overrun) % OVERRUN_WRAP
        possible = (now_s - self._seen_s + BUFFERED_S) * self._rate_hz
        lost = [(int(at), self._judge(int(frames[at]) * self._frame_samples, int(thrown[at]), possible))
                for at in np.flatnonzero((frames != 0) | (thrown != 0))]
        whole_wrap = possible >= SEQUENCE_WRAP * self._frame_samples
        if self._torn or (whole_wrap and not (lost and lost[0][0] == 0)):
            lost = [(0, None), *(entry for entry in lost if entry[0] != 0)]
        self._sequence, self._overrun = int(sequence[-1]), int(overrun[-1])
        self._seen_s, self._torn = now_s, False
        return lost

    def _judge(self, missing: int, thrown: int, possible: float) -> int | None:
        """Return the only loss that fits the counters and the time that has passed, None for none or several."""
        wrap = SEQUENCE_WRAP * self._frame_samples
        if missing + thrown > possible or missing + thrown + wrap <= possible:
            return None
        return missing + thrown
