"""From the bytes of bulk transfers to samples, with what was lost between them.

Every packet carries whole instants. A sequence number, where there is one, tells exactly how much is missing, up to
half its range; a larger jump may as well be a restart of the board, and is told as unknown.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import BoardGarbledError, Samples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from crankfold.plugins.usb.layout import PacketLayout, SampleLayout

MAX_JUNK_BYTES = 1 << 18  # so many bytes without one whole packet: the description does not fit the board


class WordReader:
    """Words as they are on the wire to codes of the kept channels."""

    def __init__(self, layout: SampleLayout) -> None:
        self._layout = layout
        self._keep = [i for i, name in enumerate(layout.names) if name != "skip"]
        self._plain = len(self._keep) == len(layout.names)
        signed = layout.dtype.kind == "i"
        self._lowest = -(1 << layout.bits - 1) if signed else 0
        self._highest = self._lowest + (1 << layout.bits) - 1
        self._spare = 8 * layout.dtype.itemsize - layout.bits - layout.shift

    def codes(self, raw: NDArray[np.uint8] | bytes | memoryview) -> NDArray[Any]:
        """Return the codes, shape (instants, kept channels), native dtype, of whole instants.

        Raises
        ------
        BoardGarbledError
            A word has more bits than the description says.
        """
        layout = self._layout
        words = np.frombuffer(raw, layout.dtype).reshape(-1, len(layout.names))
        codes = words if self._plain else words[:, self._keep]
        codes = codes.astype(layout.native, copy=False)
        if self._spare and not layout.check_spare:
            codes = np.left_shift(codes, self._spare)
            codes = np.right_shift(codes, self._spare + layout.shift)
        elif layout.shift:
            codes = np.right_shift(codes, layout.shift)
        if self._spare and layout.check_spare and len(codes):
            low, high = codes.min(), codes.max()
            if low < self._lowest or high > self._highest:
                raise BoardGarbledError(
                    f"a sample word holds {int(high if high > self._highest else low)}, which {layout.bits} bits "
                    "cannot", "compare dtype, bits, shift and the packet's size in the description with the board's "
                    "manual")
        return codes


class PacketDecoder:
    """Bytes in, `Samples` out, whatever way the bytes are cut.

    Parameters
    ----------
    samples, packet
        The layouts; a `packet` of None is a bare stream of samples.
    resumed
        Whether samples went by unseen before the first ones.

    Attributes
    ----------
    damaged
        Packets left out because they do not begin as described.
    wrap_instants
        After so many instants the sequence number begins again; 0 without one.
    """

    def __init__(self, samples: SampleLayout, packet: PacketLayout | None, *, resumed: bool = False) -> None:
        self._words, self._packet = WordReader(samples), packet
        self._instant_bytes = samples.instant_bytes
        self._rest = b""
        self._loss: int | None = None if resumed else 0
        self._expected: int | None = None
        self._aligned = True
        self._junk = 0
        self.damaged = 0
        self.wrap_instants = 0
        if packet is not None:
            self._per_packet = (packet.size - packet.header - packet.trailer) // samples.instant_bytes
            self._modulus = 1 << (8 * packet.sequence.itemsize) if packet.sequence is not None else 0
            self.wrap_instants = self._modulus * (1 if packet.counts_samples else self._per_packet)

    def feed(self, data: bytes, *, ended_short: bool = False) -> list[Samples]:
        """Return the samples in `data`, one item for each run without a loss.

        Parameters
        ----------
        data
            The bytes of one transfer.
        ended_short
            Whether a short packet ended it.

        Raises
        ------
        BoardGarbledError
            The bytes do not fit the layout.
        """
        data = self._rest + data if self._rest else data
        self._rest = b""
        if self._packet is None:
            return self._bare(data)
        runs = list(self._packets(data, self._packet))
        if ended_short and not self._packet.across_transfers and self._rest:
            tail, self._rest = self._rest, b""
            runs.extend(self._short(tail, self._packet))
        return runs

    def interrupt(self) -> None:
        """Note that bytes may be missing before the next ones."""
        self._rest = b""
        self._aligned = self._packet is None or not self._packet.across_transfers
        if self._packet is None or self._packet.sequence is None:
            self._loss = None

    def _bare(self, data: bytes) -> list[Samples]:
        whole = len(data) - len(data) % self._instant_bytes
        self._rest = data[whole:]
        if not whole:
            return []
        loss, self._loss = self._loss, 0
        return [Samples(self._words.codes(memoryview(data)[:whole]), loss)]

    def _packets(self, data: bytes, packet: PacketLayout) -> Iterator[Samples]:
        place = 0 if self._aligned else self._align(data, 0, packet)
        while self._aligned and place + packet.size <= len(data):
            count = (len(data) - place) // packet.size
            rows = np.frombuffer(data, np.uint8, count * packet.size, place).reshape(count, packet.size)
            good = self._good_rows(rows, packet)
            yield from self._good(rows[:good], packet)
            place += good * packet.size
            if good < count:
                self._note_damage()
                place = self._align(data, place + 1, packet) if packet.across_transfers else place + packet.size
        self._rest = data[place:]

    def _good_rows(self, rows: NDArray[np.uint8], packet: PacketLayout) -> int:
        """Return how many rows from the first one begin as they should."""
        if not packet.magic:
            return len(rows)
        right = (rows[:, : len(packet.magic)] == np.frombuffer(packet.magic, np.uint8)).all(axis=1)
        return len(rows) if right.all() else int(np.argmin(right))

    def _align(self, data: bytes, start: int, packet: PacketLayout) -> int:
        """Return where two packets in a row begin, or where they may once more bytes have come."""
        place = start
        while True:
            found = data.find(packet.magic, place)
            if found < 0:
                found = max(start, len(data) - len(packet.magic) + 1)  # the magic may have come in part
                break
            second = found + packet.size
            self._aligned = data.startswith(packet.magic, second)
            if self._aligned or second + len(packet.magic) > len(data):
                break
            place = found + 1
        self._note_junk(found - start)
        return found

    def _note_damage(self) -> None:
        self.damaged += 1
        if self._packet is not None:
            self._aligned = not self._packet.across_transfers
            self._note_junk(0 if self._packet.across_transfers else self._packet.size)
            if self._packet.sequence is None:
                self._loss = None

    def _note_junk(self, size: int) -> None:
        self._junk += size
        if self._junk > MAX_JUNK_BYTES:
            raise BoardGarbledError(f"{self._junk} bytes came without one packet that begins as described",
                                    "compare [packet] in the description with the board's manual")

    def _good(self, rows: NDArray[np.uint8], packet: PacketLayout) -> Iterator[Samples]:
        if not len(rows):
            return
        self._junk = 0
        payload = np.ascontiguousarray(rows[:, packet.header : packet.size - packet.trailer])
        codes = self._words.codes(payload)
        if packet.sequence is None:
            loss, self._loss = self._loss, 0
            yield Samples(codes, loss)
            return
        at = packet.sequence_at
        numbers = np.ascontiguousarray(rows[:, at : at + packet.sequence.itemsize]).view(packet.sequence)[:, 0]
        yield from self._numbered(codes, numbers.astype(np.int64), self._per_packet)

    def _numbered(self, codes: NDArray[Any], numbers: NDArray[np.int64], per_packet: int) -> Iterator[Samples]:
        """Split codes of packets numbered `numbers`, shape (packets,), where packets are missing."""
        counts_samples = self._packet is not None and self._packet.counts_samples
        step = per_packet if counts_samples else 1
        expected = np.empty_like(numbers)
        expected[0] = numbers[0] if self._expected is None else self._expected
        expected[1:] = numbers[:-1] + step
        missing = (numbers - expected) % self._modulus
        self._expected = int(numbers[-1] + step) % self._modulus
        starts = np.flatnonzero(missing)
        edges = [0, *starts[starts > 0].tolist(), len(numbers)]
        for begin, end in pairwise(edges):
            gap = int(missing[begin])
            loss = None if gap > self._modulus // 2 else gap * (1 if counts_samples else self._per_packet)
            if begin == 0:
                loss, self._loss = _joined(self._loss, loss), 0
            yield Samples(codes[begin * per_packet : end * per_packet], loss)

    def _short(self, tail: bytes, packet: PacketLayout) -> Iterator[Samples]:
        """Take a packet that a short transfer ended early: it has fewer samples than a whole one."""
        body = len(tail) - packet.header - packet.trailer
        instants = body // self._instant_bytes
        if body < 0 or body % self._instant_bytes or not tail.startswith(packet.magic):
            self._note_damage()
            return
        if packet.sequence is None:
            if instants:
                loss, self._loss = self._loss, 0
                yield Samples(self._words.codes(tail[packet.header : packet.header + body]), loss)
            return
        codes = self._words.codes(tail[packet.header : packet.header + body])
        number = np.frombuffer(tail, packet.sequence, 1, packet.sequence_at).astype(np.int64)
        for run in self._numbered(codes, number, instants):
            if instants:
                yield run
            else:
                self._loss = _joined(self._loss, run.lost_before)


def _joined(before: int | None, now: int | None) -> int | None:
    """Return the sum of two losses; unknown if either is."""
    return None if before is None or now is None else before + now
