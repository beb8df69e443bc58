"""The grammar of a line: numbers, and between them text that every line shares.

A line is text, number, text, number ... text. What stands around the numbers is learnt, so brackets, JSON, units,
words in front, slashes and colons need no rules of their own. The same numbers can be written in three ways (with a
decimal point, with a decimal comma, in bare hexadecimal digits), and a clock or a checksum may stand beside them.

The checksum is the one of IEC 61162-1 sentences: all bytes between ``$`` and ``*`` joined by exclusive or, written as
two hexadecimal digits after the ``*``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from functools import cache, reduce
from operator import xor
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

NUMBER = rb"[+-]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][+-]?\d{1,3}+)?+"
CLOCK = rb"(?:\d{4}-\d\d-\d\d[T ])?(?:[01]?\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d{1,9})?Z?"
COMMA_NUMBER = rb"[+-]?+\d++(?:,\d++)?+"
BARE_HEX = rb"[0-9A-Fa-f]{1,8}"
PREFIXED_HEX = rb"[+-]?0[xX][0-9A-Fa-f]{1,8}"
CHECKSUM = re.compile(rb"\*([0-9A-Fa-f]{2})\s*$")

_LABEL = re.compile(r"([A-Za-z_][\w .()/%#-]{0,40}?)[\"']?\s*[:=]\s*[\[({\"']*\s*$")
_WORD = re.compile(r"([A-Za-z_]\w{0,40})\s*[,;|]\s*$")
_UNIT = re.compile(r"^\s*[\"']?\s*(m?V|[um]?A|kV|kA|uV|k?Pa|MPa|m?bar|psi|degC|C|rpm|us|ms|s|%)(?![\w])")

_LABEL_UNIT = re.compile(r"\w[ _(]+(mV|V|mA|A|kV|kA|uV|kPa|mbar|bar|psi)\)?$")


class Writing(Enum):
    """How the numbers of a board are written."""

    POINT = "decimal"
    COMMA = "comma"
    HEX = "hex"


class Kind(Enum):
    """What one number of a line is."""

    WHOLE = "whole"
    DECIMAL = "decimal"
    COMMA = "comma"
    HEX = "hex"
    CLOCK = "clock"


FORMS = {Kind.WHOLE: rb"[+-]?\d{1,18}+(?!\d)", Kind.DECIMAL: NUMBER, Kind.COMMA: COMMA_NUMBER, Kind.CLOCK: CLOCK}


@dataclass(frozen=True)
class Parts:
    """A line taken apart: text around the numbers (one more than numbers), the numbers, and whether each is a clock."""

    texts: tuple[bytes, ...]
    numbers: tuple[bytes, ...]
    clocks: tuple[bool, ...]


@cache
def _token(writing: Writing) -> re.Pattern[bytes]:
    numbers = {Writing.POINT: rb"(?:" + PREFIXED_HEX + rb"(?!\w)|" + NUMBER + rb"(?![\w.]*\.\d))",
               Writing.COMMA: COMMA_NUMBER, Writing.HEX: BARE_HEX + rb"(?![\w.])"}[writing]
    return re.compile(rb"(?<![\w.])(?:(" + CLOCK + rb")(?![\w:.])|(" + numbers + rb"))")


def take_apart(line: bytes, writing: Writing = Writing.POINT) -> Parts | None:
    """Return the parts of a line, None when it holds no number."""
    line = line.strip()
    texts: list[bytes] = []
    numbers: list[bytes] = []
    clocks: list[bool] = []
    at = 0
    for found in _token(writing).finditer(line):
        texts.append(tidy(line[at : found.start()], first=not texts))
        numbers.append(found[0])
        clocks.append(found[1] is not None)
        at = found.end()
    return Parts((*texts, tidy(line[at:], last=True)), tuple(numbers), tuple(clocks)) if numbers else None


def tidy(text: bytes, *, first: bool = False, last: bool = False) -> bytes:
    """Return the text with white space that says nothing taken out: beside signs, and at the line's ends."""
    text = re.sub(rb"[ \t\r]+", b" ", text)
    text = re.sub(rb" ?([^\w ]) ?", rb"\1", text)
    return text.lstrip() if first else text.rstrip() if last else text


def text_pattern(text: bytes) -> bytes:
    """Return the expression that tidied text comes from."""
    out: list[bytes] = []
    for byte in (text[at : at + 1] for at in range(len(text))):
        if byte == b" ":
            out.append(rb"[ \t]++")
        elif re.fullmatch(rb"\w", byte):
            out.append(byte)
        else:
            out.append(rb"[ \t]*+" + re.escape(byte) + rb"[ \t]*+")
    return b"".join(out)


def labels_of(texts: Sequence[bytes]) -> tuple[str, ...]:
    """Return what each number is called in the line, empty where nothing says.

    A word with a colon or an equals sign names the number after it. A word with a comma does so only where every
    number has one (``n,5,I,512``), since ``DATA,5,512`` names none.
    """
    plain = [text.decode("ascii", "replace") for text in texts[:-1]]
    named = [found[1].strip() if (found := _LABEL.search(text)) else "" for text in plain]
    if any(named) or len(plain) < 2:
        return tuple(named)
    words = [found[1] if (found := _WORD.search(text)) else "" for text in plain]
    return tuple(words) if all(words) and len(set(words)) == len(words) else tuple(named)


def units_of(texts: Sequence[bytes]) -> tuple[str, ...]:
    """Return the unit of each number: behind it (``512 mV``) or in its label (``battery_V:``, ``current (A)=``)."""
    behind = [_UNIT.match(text.decode("ascii", "replace")) for text in texts[1:]]
    labels = [_LABEL_UNIT.search(label) for label in labels_of(texts)]
    return tuple(match[1] if match else label[1] if label else ""
                 for match, label in zip(behind, labels, strict=True))


def checksum_holds(line: bytes) -> bool:
    """Return whether the checksum at the end of a line is that of the bytes before it.

    >>> checksum_holds(b"$512,3*1B"), checksum_holds(b"$512,4*1B")
    (False, False)
    """
    found = CHECKSUM.search(line)
    if found is None:
        return False
    body = line[: found.start()].lstrip()
    return reduce(xor, body.removeprefix(b"$").removeprefix(b"!"), 0) == int(found[1], 16)


def seconds_of_day(text: bytes) -> float:
    """Return a clock's time since midnight in seconds."""
    hours, minutes, seconds = text.rstrip(b"Z").replace(b"T", b" ").split(b" ")[-1].split(b":")
    return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds)
