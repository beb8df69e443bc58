"""What every whole line of a board that prints numbers looks like."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from crankfold.plugins.serial.grammar import (
    BARE_HEX,
    FORMS,
    PREFIXED_HEX,
    Kind,
    Writing,
    checksum_holds,
    labels_of,
    text_pattern,
    units_of,
)

DIGITS = b"0123456789"
NUMBER_BYTES = b"0123456789+-.eE"

LONGEST_LINE = 512
"""Bytes; sixteen labelled numbers need less. Longer without a line end is not a board that prints numbers."""

ANY_TEXT = b"\0"
"""Stands in a pattern for text that changes from line to line."""


@dataclass(frozen=True)
class LineStyle:
    """What every whole line of a board looks like.

    Parameters
    ----------
    texts
        What stands around the numbers, tidied; one more than numbers. A line feed in it: the sample goes on in the
        next line.
    kinds
        What each number is.
    writing
        How numbers are written.
    signed
        Whether any number has a sign.
    usual
        A usual line, for its exact spaces, without its end.
    line_end
        The last byte of a line.
    checksum
        Whether lines end in a checksum, and whether it is one that can be checked; None: there is none.
    guess
        What had to be guessed of how numbers are written, a ``why`` of numbers-guessed; empty where nothing had.
    names
        What a named pattern calls the numbers, empty without one.
    steps
        For each number, the smallest difference its digits can show.
    uneven
        Whether there are now more, now fewer spaces around the numbers.
    """

    texts: tuple[bytes, ...]
    kinds: tuple[Kind, ...]
    writing: Writing = Writing.POINT
    signed: bool = False
    usual: bytes = b""
    line_end: bytes = b"\n"
    checksum: bool | None = None
    guess: str = ""
    names: tuple[str, ...] = ()
    steps: tuple[float, ...] = ()
    uneven: bool = False

    @property
    def columns(self) -> int:
        """Numbers of a sample."""
        return len(self.kinds)

    @property
    def decimals(self) -> bool:
        """Whether any number is more than a whole one."""
        return any(kind in {Kind.DECIMAL, Kind.COMMA, Kind.CLOCK} for kind in self.kinds)

    @property
    def labels(self) -> tuple[str, ...]:
        """What the lines call each number, empty where they do not."""
        return labels_of(self.texts)

    @property
    def units(self) -> tuple[str, ...]:
        """The unit behind each number, empty where there is none."""
        return units_of(self.texts)

    @property
    def lines(self) -> int:
        """Lines of a sample."""
        return 1 + sum(text.count(b"\n") for text in self.texts)

    @cached_property
    def expression(self) -> re.Pattern[bytes]:
        """What a whole sample matches, its line ends included; a group for each number."""
        forms = {**FORMS, Kind.HEX: BARE_HEX if self.writing is Writing.HEX else PREFIXED_HEX}
        body = b"".join(_spelled(text) + b"(" + forms[kind] + b")"
                        for text, kind in zip(self.texts, self.kinds, strict=False)) + _spelled(self.texts[-1])
        tail = b"" if self.checksum is None else rb"\*[0-9A-Fa-f]{2}"
        return re.compile(rb"^[ \t\r]*+" + body + tail + rb"[ \t\r]*+\n", re.MULTILINE)

    @cached_property
    def quick(self) -> bool:
        """Whether whole chunks can be read at once."""
        plain = self.lines == 1 and self.checksum is None and self.writing is Writing.POINT and not self.uneven
        return plain and set(self.kinds) <= {Kind.WHOLE, Kind.DECIMAL} and not any(ANY_TEXT in t for t in self.texts)

    @cached_property
    def prefixes(self) -> tuple[bytes, ...]:
        """Texts of the usual line that are more than separators, the longest first."""
        found, at = [], 0
        for match in re.finditer(_numbers_of(self), self.usual):
            found.append(self.usual[at : match.start()])
            at = match.end()
        texts = {text.strip(b" \t\r") for text in [*found, self.usual[at:]]}
        return tuple(sorted((text for text in texts if text.strip(b",; \t\r")), key=len, reverse=True))

    @property
    def erased(self) -> bytes:
        """Bytes that are erased from a chunk before it is compared with `pattern`."""
        return NUMBER_BYTES if self.decimals or self.signed or self.prefixes else DIGITS

    @cached_property
    def pattern(self) -> bytes:
        """The usual line without the characters of its numbers, line end included."""
        return self.usual.translate(None, self.erased) + self.line_end

    def parse(self, line: bytes) -> tuple[bytes, ...] | None:
        """Return the numbers of one line as texts, None if it is not of this style."""
        found = self.expression.fullmatch(line.rstrip(b"\r\n") + b"\n")
        if found is None or (self.checksum and not checksum_holds(line)):
            return None
        return found.groups()


def _numbers_of(style: LineStyle) -> re.Pattern[bytes]:
    forms = (form for kind, form in reversed(FORMS.items()) if kind in style.kinds)  # a decimal starts as a whole one
    return re.compile(rb"(?<![\w.])(?:" + b"|".join(forms) + rb")")


def _spelled(text: bytes) -> bytes:
    pieces = [rb"[ \t\r]*+\n[ \t\r]*+".join(map(text_pattern, piece.split(b"\n"))) for piece in text.split(ANY_TEXT)]
    return rb"[^\n]{0,200}?".join(pieces)


def split_lines(data: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole lines of `data` without the first, which may be half a line, and the byte that ends them."""
    line_end = b"\r" if data.count(b"\r") > 2 * data.count(b"\n") else b"\n"
    lines = data.split(line_end)
    return lines[1:-1], line_end


def looks_like_text(data: bytes) -> bool:
    """Return whether nearly all bytes are those of printed text; at a wrong baud rate they are not."""
    printed = sum(1 for byte in data if 32 <= byte < 127 or byte in b"\r\n\t")
    return printed >= 0.95 * len(data)
