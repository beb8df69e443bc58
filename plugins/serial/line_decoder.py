"""Text lines turned into numbers: whole chunks at once while all is sound, line by line around the broken ones."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.plugins.serial.line_style import LONGEST_LINE, NUMBER, LineStyle, parse_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

FEW_LINES = 4
"""Lines up to which a piece that holds a broken one is not cut further but read line by line."""

HIGHEST_INTEGER = 2**32 - 1
"""The clocks of micro-controllers count no further; the text of more is broken."""

_TO_SPACES = bytes.maketrans(b",;\r", b"   ")
_NUMBERS_ONLY = re.compile(rb"\s*(?:" + NUMBER + rb"\s+)*")
_INTEGERS_ONLY = re.compile(rb"\s*(?:[+-]?\d++\s++)*+")


@dataclass(frozen=True, eq=False)
class Lines:
    """Sound lines in a row: their numbers, shape (lines, columns), and how many broken lines stood before them."""

    values: NDArray[Any]
    broken_before: int


class LineDecoder:
    """Cuts a byte stream into lines of a known style and reads their numbers.

    Parameters
    ----------
    style
        As `find_style` found it.
    limits
        Lowest and highest number each column may hold, None where anything goes; a line beyond is broken.

    Attributes
    ----------
    broken
        Broken lines so far.
    """

    def __init__(self, style: LineStyle, limits: tuple[tuple[float, float] | None, ...] = ()) -> None:
        self.broken = 0
        self._style = style
        self._pattern = style.pattern[:-1] + b"\n"
        self._dtype = np.dtype(np.float64 if style.decimals else np.int64)
        self._numbers_only = _NUMBERS_ONLY if style.decimals else _INTEGERS_ONLY
        highest = HIGHEST_INTEGER if self._dtype.kind == "i" else float(np.finfo(np.float64).max)
        given = (*limits, *[None] * (style.columns - len(limits)))[: style.columns]
        self._limits = [limit or (-highest - 1, highest) for limit in given]
        self._rest = b""
        self._broken_before = 0
        self._in_half_line = False

    def begin(self) -> None:
        """Forget what was left over, and skip up to the next line end."""
        self._rest, self._broken_before, self._in_half_line = b"", 0, True

    def feed(self, chunk: bytes) -> list[Lines]:
        """Return the numbers of the lines that `chunk` completes."""
        if self._style.line_end == b"\r":
            chunk = chunk.replace(b"\r", b"\n")
        if self._in_half_line:
            cut = chunk.find(b"\n")
            if cut < 0:
                return []
            chunk, self._in_half_line = chunk[cut + 1 :], False
        stream = self._rest + chunk
        cut = stream.rfind(b"\n") + 1
        self._rest = stream[cut:]
        found: list[Lines] = []
        if cut:
            self._decode(stream[:cut], found)
        if len(self._rest) > LONGEST_LINE:
            self._count_broken()
            self._rest, self._in_half_line = b"", True
        return found

    def _decode(self, body: bytes, found: list[Lines]) -> None:
        values = self._decode_clean(body)
        if values is not None:
            if len(values):
                self._add(values, found)
            return
        if body.count(b"\n") <= FEW_LINES:
            self._decode_carefully(body, found)
            return
        begin, end = self._strange_stretch(body)
        if begin == 0 and end == len(body):
            begin = end = body.rfind(b"\n", 0, len(body) // 2) + 1 or body.find(b"\n") + 1
        for piece in (body[:begin], body[begin:end], body[end:]):
            if piece:
                self._decode(piece, found)

    def _strange_stretch(self, body: bytes) -> tuple[int, int]:
        """Return where the lines begin and end that do not follow the pattern, the whole body when all do."""
        pattern = self._pattern
        left = np.frombuffer(body.translate(None, self._style.erased), np.uint8)
        usual = np.frombuffer(pattern * (len(left) // len(pattern) + 1), np.uint8)
        from_start = left != usual[: len(left)]
        if not from_start.any():
            return 0, len(body)
        sound_before = int(from_start.argmax()) // len(pattern)
        sound_after = int((left != usual[-len(left) :])[::-1].argmax()) // len(pattern)
        sound_after = max(0, sound_after - 1)  # of the foremost one, only the end has been seen
        ends = np.flatnonzero(np.frombuffer(body, np.uint8) == ord("\n")) + 1
        return int(ends[sound_before - 1]) if sound_before else 0, int(ends[-1 - sound_after])

    def _decode_clean(self, body: bytes) -> NDArray[Any] | None:
        """Return the numbers when every line follows the style exactly, else None."""
        style = self._style
        left = body.translate(None, style.erased)
        lines = len(left) // len(self._pattern)
        if left != self._pattern * lines:
            return None
        for prefix in style.prefixes:
            body = body.replace(prefix, b"")
        plain = body.translate(_TO_SPACES)
        if (style.decimals or style.signed or style.prefixes) and self._numbers_only.fullmatch(plain) is None:
            return None
        values = np.fromstring(plain, dtype=self._dtype, sep=" ")
        if len(values) != lines * style.columns:
            return None
        rows = values.reshape(lines, style.columns)
        return rows if self._within_limits(rows).all() else None

    def _within_limits(self, rows: NDArray[Any]) -> NDArray[np.bool_]:
        good: NDArray[np.bool_] = np.ones(len(rows), dtype=np.bool_)
        lowest, highest = (rows.min(), rows.max()) if len(rows) else (0, 0)
        for values, (low, high) in zip(rows.T, self._limits, strict=True):
            if lowest < low or highest > high:
                good &= (values >= low) & (values <= high)
        return good

    def _decode_carefully(self, body: bytes, found: list[Lines]) -> None:
        for line in body.split(b"\n")[:-1]:
            if not line.strip():
                continue
            values = self._decode_line(line)
            if values is None:
                self._count_broken()
            else:
                self._add(values, found)

    def _decode_line(self, line: bytes) -> NDArray[Any] | None:
        parsed = parse_line(line)
        if parsed is None or parsed[0] != self._style.labels:
            return None
        kind = float if self._style.decimals else int
        try:
            row = np.array([[kind(number) for number in parsed[1]]], dtype=self._dtype)
        except (ValueError, OverflowError):
            return None
        return row if self._within_limits(row).all() else None

    def _count_broken(self) -> None:
        self.broken += 1
        self._broken_before += 1

    def _add(self, values: NDArray[Any], found: list[Lines]) -> None:
        if found and not self._broken_before:
            found[-1] = Lines(np.concatenate((found[-1].values, values)), found[-1].broken_before)
        else:
            found.append(Lines(values, self._broken_before))
        self._broken_before = 0
