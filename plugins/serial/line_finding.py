"""The style of a board's lines, found from the lines themselves, banner and broken ones among them."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from crankfold.plugins.serial.grammar import CHECKSUM, Kind, Parts, Writing, checksum_holds, labels_of, take_apart, tidy
from crankfold.plugins.serial.line_style import ANY_TEXT, NUMBER_BYTES, LineStyle

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_COLUMNS = 16

FEWEST_LINES = 10
"""Lines that must agree before a style is believed."""

AGREEING = 0.6
"""Part of the lines that must agree: a banner of several lines in one slow second leaves more."""

MOST_LINES_A_SAMPLE = 8
"""A board that prints each value on a line of its own has a handful of them."""

EVEN = 0.9
"""Part of the lines whose spaces must be the same, to be read in whole chunks."""

SHORT = 2
"""Digits in front of a decimal comma, at most, of volts."""

IN_TURN = 0.9
"""Part of the lines that must come in the same turn, to be one sample's."""


def find_style(lines: Sequence[bytes], line_end: bytes = b"\n", *, writing: Writing | None = None,
               pattern: str = "") -> LineStyle | None:
    """Return the style that most lines share, None when there is no such style.

    Parameters
    ----------
    lines
        Whole lines without their ends, some of which may be banner or broken.
    line_end
        The byte that ends them.
    writing
        How numbers are written, None: found from the lines.
    pattern
        A line as a person describes it: numbers as ``{name}``, text that changes as ``{*}``.
    """
    lines = [line for line in lines if line.strip()]
    if pattern:
        return _named_style(lines, line_end, pattern, writing or Writing.POINT)
    if writing is not None:
        return _style(lines, line_end, writing)[0]
    return _likeliest(lines, line_end)


def _likeliest(lines: Sequence[bytes], line_end: bytes) -> LineStyle | None:
    point, agree = _style(lines, line_end, Writing.POINT)
    tokens = [number for line in lines if (parts := take_apart(line)) for number in parts.numbers]
    bare_exponents = any(re.fullmatch(rb"\d+[eE]\d+", number) for number in tokens)
    comma, comma_agree = _style(lines, line_end, Writing.COMMA)
    if comma is not None and comma_agree >= agree and (sure := _decimal_commas(lines, comma)) is not None:
        return comma if sure else replace(comma, guess="decimal-commas")
    digits, hex_agree = _style(lines, line_end, Writing.HEX)
    if digits is not None and (hex_agree > agree or (bare_exponents and hex_agree == agree)):
        return digits
    if point is not None and _padded(lines, point):
        return replace(point, guess="leading-zeros")
    if point is not None and _one_number(lines, point):
        return replace(point, guess="two-numbers")
    return point


def _style(lines: Sequence[bytes], line_end: bytes, writing: Writing) -> tuple[LineStyle | None, int]:
    """Return the style that the lines share in one way of writing numbers, and how many lines agree."""
    checked = [CHECKSUM.search(line) is not None and line.lstrip()[:1] in b"$!" for line in lines]
    checksum = None
    if lines and sum(checked) >= AGREEING * len(lines):
        kept = [line for line, is_checked in zip(lines, checked, strict=True) if is_checked]
        checksum = sum(map(checksum_holds, kept)) >= AGREEING * len(kept)
        bodies = [CHECKSUM.sub(b"", line) for line in kept]
    else:
        bodies = list(lines)
    parsed = [(line, parts) for line in bodies
              if (parts := take_apart(line, writing)) is not None and len(parts.numbers) <= MOST_COLUMNS]
    parsed = _names_with_numbers(parsed)
    shapes = Counter((parts.texts, parts.clocks) for _, parts in parsed)
    if not shapes:
        return None, 0
    (texts, clocks), agreeing = shapes.most_common(1)[0]
    if agreeing < FEWEST_LINES or agreeing < AGREEING * len(lines):
        return _in_turn(parsed, len(lines), line_end, writing), agreeing
    good = [(line, parts.numbers) for line, parts in parsed if (parts.texts, parts.clocks) == (texts, clocks)]
    kinds = tuple(_kind([numbers[at] for _, numbers in good], clocks[at], writing) for at in range(len(clocks)))
    signed = any(number[:1] in b"+-" for _, numbers in good for number in numbers)
    usual, like_it = Counter(line.translate(None, NUMBER_BYTES) for line, _ in good).most_common(1)[0]
    line = next(line for line, _ in good if line.translate(None, NUMBER_BYTES) == usual)
    steps = tuple(_step([numbers[at] for _, numbers in good]) for at in range(len(kinds)))
    uneven = like_it < EVEN * len(good)
    return LineStyle(texts, kinds, writing, signed, line, line_end, checksum, steps=steps, uneven=uneven), agreeing


def _kind(numbers: Sequence[bytes], is_clock: bool, writing: Writing) -> Kind:
    if is_clock:
        return Kind.CLOCK
    if writing is Writing.HEX or all(number.lstrip(b"+-")[:2] in {b"0x", b"0X"} for number in numbers):
        return Kind.HEX
    if all(re.fullmatch(rb"[+-]?\d+", number) for number in numbers):
        return Kind.WHOLE
    return Kind.COMMA if writing is Writing.COMMA else Kind.DECIMAL


def _step(numbers: Sequence[bytes]) -> float:
    """Return the smallest difference that numbers with so many decimals can show."""
    return float(10.0 ** -max(len(re.split(rb"[.,]", number.rstrip(b"Z"))[-1]) if re.search(rb"[.,]", number) else 0
                              for number in numbers))


def _names_with_numbers(parsed: list[tuple[bytes, Parts]]) -> list[tuple[bytes, Parts]]:
    """Return the lines with numbers that are part of a name (``Sensor 1: 512``) counted to the text around them."""
    seen: dict[tuple[tuple[bytes, ...], int], set[bytes]] = {}
    for _, parts in parsed:
        for at, number in enumerate(parts.numbers[:-1]):
            before, after = parts.texts[at], parts.texts[at + 1]
            if re.search(rb"[A-Za-z_] ?$", before) and after[:1] in b":=" and after:
                seen.setdefault((parts.texts, at), set()).add(number)
    names = {place for place, numbers in seen.items() if len(numbers) == 1}
    return [(line, _joined(parts, {at for texts, at in names if texts == parts.texts})) for line, parts in parsed]


def _joined(parts: Parts, names: set[int]) -> Parts:
    if not names:
        return parts
    texts, numbers, clocks = [parts.texts[0]], [], []
    for at, number in enumerate(parts.numbers):
        if at in names:
            texts[-1] += number + parts.texts[at + 1]
        else:
            numbers.append(number)
            clocks.append(parts.clocks[at])
            texts.append(parts.texts[at + 1])
    return Parts(tuple(texts), tuple(numbers), tuple(clocks))


def _in_turn(parsed: list[tuple[bytes, Parts]], told: int, line_end: bytes, writing: Writing) -> LineStyle | None:
    """Return the style of a board that prints each value on a line of its own, one after the other."""
    shapes = [(parts.texts, parts.clocks) for _, parts in parsed]
    counts = Counter(shapes)
    kept = [shape for shape, count in counts.most_common(MOST_LINES_A_SAMPLE)
            if count >= FEWEST_LINES and count > 0.5 * counts.most_common(1)[0][1]]
    follows = {shape: Counter(b for a, b in pairwise(shapes) if a == shape).most_common(1)
               for shape in kept}
    if len(kept) < 2 or sum(counts[shape] for shape in kept) < AGREEING * told or not all(follows.values()):
        return None
    sound = sum(found[0][1] for found in follows.values())
    order = [next(shape for shape in shapes if shape in kept)]
    while (after := follows[order[-1]][0][0]) not in order and after in follows:
        order.append(after)
    if len(order) != len(kept) or after != order[0] or sound < IN_TURN * (len(parsed) - 1):
        return None
    begin = next((at for at, shape in enumerate(order) if labels_of(shape[0])[:1] == ("current",)), 0)
    order = order[begin:] + order[:begin]
    texts: tuple[bytes, ...] = order[0][0]
    for shape in order[1:]:
        texts = (*texts[:-1], texts[-1] + b"\n" + shape[0][0], *shape[0][1:])
    numbers = {shape: [parts.numbers for _, parts in parsed if (parts.texts, parts.clocks) == shape] for shape in order}
    kinds = tuple(_kind([row[at] for row in numbers[shape]], shape[1][at], writing)
                  for shape in order for at in range(len(shape[1])))
    steps = tuple(_step([row[at] for row in numbers[shape]]) for shape in order for at in range(len(shape[1])))
    return LineStyle(texts, kinds, writing, False, b"", line_end, steps=steps)


def _decimal_commas(lines: Sequence[bytes], style: LineStyle) -> bool | None:
    """Return whether commas are decimal commas: True for sure, False likely, None no.

    Whole numbers are printed without zeros in front, so ``0,033`` is one number; and the decimals of a printed number
    are always as many, while whole numbers grow longer and shorter.
    """
    if Kind.COMMA not in style.kinds or style.columns < 2 or any(b"," in text for text in style.texts):
        return None
    rows = [numbers for line in lines if (numbers := style.parse(line)) is not None]
    columns = [[number.lstrip(b"+-").partition(b",")[::2] for number in column] for column in zip(*rows, strict=True)]
    if any(len(whole) > 1 and whole[:1] == b"0" for column in columns for whole, _ in column):
        return None  # then zeros in front are this board's way
    if any(len(part) > 1 and part[:1] == b"0" for column in columns for _, part in column):
        return True
    steady = all(len({len(part) for _, part in column}) == 1 for column in columns)
    return False if steady and all(part for column in columns for _, part in column) else None


def _one_number(lines: Sequence[bytes], style: LineStyle) -> bool:
    """Return whether two numbers with a comma between may be one with a decimal comma: a short one that never moves."""
    if style.texts != (b"", b",", b"") or set(style.kinds) != {Kind.WHOLE}:
        return False
    first, second = zip(*(numbers for line in lines if (numbers := style.parse(line)) is not None), strict=True)
    lengths = set(map(len, second))
    return len(set(first)) == 1 and len(first[0]) <= SHORT and len(set(second)) > 1 and lengths <= {2, 3, 4} and (
        len(lengths) == 1)


def _padded(lines: Sequence[bytes], style: LineStyle) -> bool:
    """Return whether whole numbers are written with zeros in front, all as long: they could be hexadecimal."""
    rows = [numbers for line in lines if (numbers := style.parse(line)) is not None]
    columns = [column for column, kind in zip(zip(*rows, strict=True), style.kinds, strict=False) if kind is Kind.WHOLE]
    return any(len(set(map(len, column))) == 1 and len(column[0]) > 1 and any(n[:1] == b"0" for n in column)
               for column in columns)


def _named_style(lines: Sequence[bytes], line_end: bytes, pattern: str, writing: Writing) -> LineStyle | None:
    """Return the style that a person's pattern describes, None when the lines are not like it."""
    names: list[str] = []
    texts = [b""]
    for at, piece in enumerate(re.split(r"\{([^{}]*)\}", pattern)):
        if at % 2 == 0:
            texts[-1] += piece.encode("utf-8")
        elif piece.strip() == "*":
            texts[-1] += ANY_TEXT
        else:
            names.append(piece.strip().lower())
            texts.append(b"")
    number = {Writing.POINT: Kind.DECIMAL, Writing.COMMA: Kind.COMMA, Writing.HEX: Kind.HEX}[writing]
    tidied = tuple(tidy(text, first=at == 0, last=at == len(texts) - 1) for at, text in enumerate(texts))
    wide = LineStyle(tidied, (number,) * len(names), writing, True, b"", line_end, names=tuple(names))
    rows = [(line, numbers) for line in lines if (numbers := wide.parse(line)) is not None]
    if not names or len(rows) < FEWEST_LINES or len(rows) < AGREEING * len(lines):
        return None
    columns = list(zip(*(numbers for _, numbers in rows), strict=True))
    return replace(wide, kinds=tuple(_kind(column, False, writing) for column in columns), usual=rows[0][0],
                   steps=tuple(map(_step, columns)))
