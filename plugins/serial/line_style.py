"""How a board that prints numbers writes a line: found from the lines themselves, banner and broken ones among them."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

DIGITS = b"0123456789"
NUMBER_BYTES = b"0123456789+-.eE"
SEPARATORS = b",;\t "

MOST_COLUMNS = 16
LONGEST_LINE = 512
"""Bytes; sixteen labelled numbers need less. Longer without a line end is not a board that prints numbers."""

FEWEST_LINES = 10
"""Lines that must agree before a style is believed."""

AGREEING = 0.6
"""Part of the lines that must agree: a banner of several lines in one slow second leaves more."""

NUMBER = rb"[+-]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][+-]?\d{1,3}+)?+"
_LABEL = rb"[A-Za-z_][\w .()/%-]{0,40}?"
_ITEM = re.compile(rb"(?:(" + _LABEL + rb")\s*[:=]\s*)?(" + NUMBER + rb")(?:\s*[,;]\s*|\s+|$)")
_INTEGER = re.compile(rb"[+-]?\d+")


@dataclass(frozen=True)
class LineStyle:
    """What every whole line of a board looks like.

    Parameters
    ----------
    labels
        In front of each number, empty where there is none; one a column.
    decimals
        Whether any number has a decimal point or an exponent.
    signed
        Whether any number has a sign.
    pattern
        The usual line without the characters of its numbers, line end included.
    prefixes
        Labels as they stand in the line, colon included.
    line_end
        The last byte of a line.
    """

    labels: tuple[bytes, ...]
    decimals: bool
    signed: bool
    pattern: bytes
    prefixes: tuple[bytes, ...] = ()
    line_end: bytes = b"\n"

    @property
    def columns(self) -> int:
        """Numbers in a line."""
        return len(self.labels)

    @property
    def erased(self) -> bytes:
        """Bytes that are erased from a chunk before it is compared with `pattern`."""
        return NUMBER_BYTES if self.decimals or self.signed or self.prefixes else DIGITS


def parse_line(line: bytes) -> tuple[tuple[bytes, ...], tuple[bytes, ...]] | None:
    """Return labels and numbers of one line as texts, None if it is anything but separated numbers."""
    line = line.strip()
    labels: list[bytes] = []
    numbers: list[bytes] = []
    at = 0
    while at < len(line):
        item = _ITEM.match(line, at)
        if item is None or len(numbers) == MOST_COLUMNS:
            return None
        labels.append(item[1] or b"")
        numbers.append(item[2])
        at = item.end()
    return (tuple(labels), tuple(numbers)) if numbers else None


def split_lines(data: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole lines of `data` without the first, which may be half a line, and the byte that ends them."""
    line_end = b"\r" if data.count(b"\r") > 2 * data.count(b"\n") else b"\n"
    lines = data.split(line_end)
    return lines[1:-1], line_end


def find_style(lines: Sequence[bytes], line_end: bytes = b"\n") -> LineStyle | None:
    """Return the style that most lines share, None when there is no such style.

    Parameters
    ----------
    lines
        Whole lines without their ends, some of which may be banner or broken.
    line_end
        The byte that ends them.
    """
    parsed = [(line, found) for line in lines if line.strip() and (found := parse_line(line)) is not None]
    if not parsed:
        return None
    (labels, _), agreeing = Counter((found[0], len(found[1])) for _, found in parsed).most_common(1)[0]
    told = sum(1 for line in lines if line.strip())
    if agreeing < FEWEST_LINES or agreeing < AGREEING * told:
        return None
    good = [(line, numbers) for line, (its, numbers) in parsed if its == labels]
    decimals = any(_INTEGER.fullmatch(number) is None for _, numbers in good for number in numbers)
    signed = any(number[:1] in b"+-" for _, numbers in good for number in numbers)
    prefixes = tuple(_prefix(good[0][0], label) for label in labels if label)
    style = LineStyle(labels, decimals, signed, b"", prefixes, line_end)
    patterns = Counter(line.translate(None, style.erased) + line_end for line, _ in good)
    return LineStyle(labels, decimals, signed, patterns.most_common(1)[0][0], prefixes, line_end)


def _prefix(line: bytes, label: bytes) -> bytes:
    found = re.search(re.escape(label) + rb"\s*[:=]", line)
    return found[0] if found else label


def looks_like_text(data: bytes) -> bool:
    """Return whether nearly all bytes are those of printed text; at a wrong baud rate they are not."""
    printed = sum(1 for byte in data if 32 <= byte < 127 or byte in b"\r\n\t")
    return printed >= 0.95 * len(data)
