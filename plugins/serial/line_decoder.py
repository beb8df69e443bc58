"""Text lines turned into numbers: whole chunks at once while all is sound, by the grammar around the broken ones."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.plugins.serial.grammar import NUMBER, Kind, Writing, checksum_holds, seconds_of_day, take_apart
from crankfold.plugins.serial.line_style import LONGEST_LINE, LineStyle

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

FEW_LINES = 8
"""Lines up to which a piece that holds a broken one is not cut further but read by the grammar."""

HIGHEST_INTEGER = 2**32 - 1
"""The clocks of micro-controllers count no further; the text of more is broken."""

_TO_SPACES = bytes.maketrans(b",;\r", b"   ")
_NUMBERS_ONLY = re.compile(rb"\s*(?:" + NUMBER + rb"\s+)*")
_ALL_ZEROS = bytes.maketrans(b"123456789", b"0" * 9)
_TOO_LONG = b"0" * 19  # digits: the grammar of a whole number has one less, and no counter needs more
_INTEGERS_ONLY = re.compile(rb"\s*(?:[+-]?\d++\s++)*+")


def _hex(text: bytes) -> int:
    return int(text, 16)


def _comma(text: bytes) -> float:
    return float(text.replace(b",", b"."))


READ: dict[Kind, Callable[[bytes], float]] = {
    Kind.WHOLE: int, Kind.DECIMAL: float, Kind.COMMA: _comma, Kind.HEX: _hex, Kind.CLOCK: seconds_of_day}
"""How the text of each kind of number is read."""


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
    hexadecimal_lines
        Those of them that would be sound in hexadecimal digits.
    hexadecimal
        The latest of these, None where there was none.
    """

    def __init__(self, style: LineStyle, limits: tuple[tuple[float, float] | None, ...] = ()) -> None:
        self.broken = self.hexadecimal_lines = 0
        self.hexadecimal: bytes | None = None
        self._style = style
        self._pattern = style.pattern[:-1] + b"\n" if style.quick else b""
        self._dtype = np.dtype(np.float64 if style.decimals else np.int64)
        self._numbers_only = _NUMBERS_ONLY if style.decimals else _INTEGERS_ONLY
        self._readers = [READ[kind] for kind in style.kinds]
        highest = HIGHEST_INTEGER if self._dtype.kind == "i" else float(np.finfo(np.float64).max)
        given = (*limits, *[None] * (style.columns - len(limits)))[: style.columns]
        self._limits = [limit or (-highest - 1, highest) for limit in given]
        self._rest = b""
        self._broken_before = self._pending = 0
        self._in_half_line = self._joining = False

    def begin(self) -> None:
        """Forget what was left over, and skip up to the next line end, or to the next whole sample of several lines."""
        self._rest, self._broken_before, self._in_half_line = b"", 0, True
        self._joining = self._style.lines > 1

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
        if cut and self._style.lines > 1:
            cut = self._whole_samples(stream, cut)
            self._rest = stream[cut:]
        if cut:
            self._decode(stream[:cut], found)
        if len(self._rest) > LONGEST_LINE * self._style.lines:
            self._count_broken()
            self._rest, self._in_half_line = b"", True
        return found

    def _whole_samples(self, stream: bytes, cut: int) -> int:
        """Return where the last whole sample of several lines ends; what follows may be the next one's beginning."""
        ends = [match.end() for match in self._style.expression.finditer(stream, 0, cut)]
        waiting = stream.count(b"\n", ends[-1] if ends else 0, cut)
        if waiting < 2 * self._style.lines:
            return ends[-1] if ends else 0
        for _ in range(self._style.lines - 1):  # of what is no sample, the last lines may be the beginning of one
            cut = stream.rfind(b"\n", 0, cut - 1) + 1
        return cut

    def _decode(self, body: bytes, found: list[Lines]) -> None:
        if not self._style.quick:
            self._decode_by_grammar(body, found)
            return
        values = self._decode_clean(body)
        if values is not None:
            if len(values):
                self._add(values, found)
            return
        if body.count(b"\n") <= FEW_LINES:
            self._decode_by_grammar(body, found)
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
            body = body.replace(prefix, b" ")
        plain = body.translate(_TO_SPACES)
        if (style.decimals or style.signed or style.prefixes) and self._numbers_only.fullmatch(plain) is None:
            return None
        if self._dtype.kind == "i" and _TOO_LONG in plain.translate(_ALL_ZEROS):
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

    def _decode_by_grammar(self, body: bytes, found: list[Lines]) -> None:
        """Find every sample of the style; whatever stands between two is broken lines."""
        rows: list[tuple[float, ...]] = []
        before: list[int] = []
        at = 0
        for match in self._style.expression.finditer(body):
            broken = self._broken_in(body[at : match.start()])
            if self._joining:
                broken, self._joining = max(0, broken - 1), False
            at = match.end()
            if self._style.checksum and not checksum_holds(match[0]):
                self._pending += broken + 1
                continue
            rows.append(tuple(read(text) for read, text in zip(self._readers, match.groups(), strict=True)))
            before.append(broken + self._pending)
            self._pending = 0
        self._pending += self._broken_in(body[at:])
        self._hand_on(np.array(rows, dtype=self._dtype).reshape(len(rows), self._style.columns), before, found)

    def _hand_on(self, rows: NDArray[Any], before: list[int], found: list[Lines]) -> None:
        """Add rows with the broken lines before each; rows beyond the limits are broken too."""
        sound, begin = self._within_limits(rows), 0
        for row, (good, broken) in enumerate(zip(sound.tolist(), before, strict=True)):
            if good and not broken:
                continue
            if row > begin:
                self._add(rows[begin:row], found)
            self._count_broken(broken + (not good))
            begin = row + (not good)
        if len(rows) > begin:
            self._add(rows[begin:], found)
        self._count_broken(self._pending)
        self._pending = 0

    def _broken_in(self, text: bytes) -> int:
        """Return how many samples the lines of `text`, none of which is sound, stood for."""
        lines = [line for line in text.split(b"\n") if line.strip()]
        for line in lines:
            if (parts := take_apart(line, Writing.HEX)) is not None:
                self._look_for_hex(parts.numbers)
        return -(-len(lines) // self._style.lines)

    def _look_for_hex(self, numbers: tuple[bytes, ...]) -> None:
        letters = any(re.search(rb"[A-Fa-f]", number) for number in numbers)
        if letters and len(numbers) == self._style.columns and set(self._style.kinds) == {Kind.WHOLE}:
            self.hexadecimal_lines += 1
            self.hexadecimal = b",".join(numbers)

    def _count_broken(self, count: int = 1) -> None:
        self.broken += count
        self._broken_before += count

    def _add(self, values: NDArray[Any], found: list[Lines]) -> None:
        if found and not self._broken_before:
            found[-1] = Lines(np.concatenate((found[-1].values, values)), found[-1].broken_before)
        else:
            found.append(Lines(values, self._broken_before))
        self._broken_before = 0
