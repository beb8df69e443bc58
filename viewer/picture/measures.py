"""How wide words are, where a scale puts its ticks, and how text is shortened or broken to fit."""

from __future__ import annotations

import math

from crankfold.viewer.picture.scene import Face

# Advance widths of the characters 32 to 126 in thousandths of the type size, read from the fonts that ship with us.
_SANS = (286, 360, 414, 754, 572, 855, 702, 247, 351, 351, 450, 754, 286, 325, 286, 303, 572, 572, 572, 572, 572, 572,
         572, 572, 572, 572, 303, 303, 754, 754, 754, 478, 900, 615, 617, 628, 693, 568, 518, 697, 677, 265, 265, 590,
         501, 776, 673, 708, 542, 708, 625, 571, 549, 659, 615, 890, 616, 549, 616, 351, 303, 351, 754, 450, 450, 551,
         571, 495, 571, 554, 316, 571, 570, 250, 250, 521, 250, 876, 570, 550, 571, 571, 370, 469, 353, 570, 532, 736,
         532, 532, 472, 572, 303, 572, 754)
_SERIF = (313, 395, 469, 754, 626, 855, 812, 275, 426, 426, 470, 754, 313, 374, 313, 329, 626, 626, 626, 626, 626, 626,
          626, 626, 626, 626, 332, 332, 754, 754, 754, 527, 900, 698, 760, 716, 780, 686, 639, 769, 850, 421, 426, 782,
          633, 996, 822, 784, 677, 784, 748, 650, 669, 785, 698, 1011, 698, 642, 657, 426, 329, 426, 754, 450, 450, 583,
          629, 548, 629, 572, 387, 629, 654, 342, 325, 624, 342, 952, 654, 600, 629, 629, 474, 506, 416, 654, 523, 774,
          536, 523, 511, 579, 327, 579, 754)
_OTHER = 0.75  # ems; characters beyond ASCII are taken as wide, so that text rather breaks early than runs over
_WIDE_FROM = 0x1100  # East Asian scripts begin about here and fill their square
ELLIPSIS = "..."
ROUNDING = 0.75  # a step may be this much finer than asked for before the next coarser one is taken


def width_of(text: str, size: float, face: Face = "sans") -> float:
    """Return the width of a line of text in scene units."""
    table = _SANS if face == "sans" else _SERIF
    return size * sum(_advance(ord(c), table) for c in text)


def _advance(code: int, table: tuple[int, ...]) -> float:
    if 32 <= code < 127:
        return table[code - 32] / 1000.0
    return 1.05 if code >= _WIDE_FROM else _OTHER


def fit(text: str, size: float, room: float, face: Face = "sans") -> str:
    """Return the text, its tail replaced by dots if it is wider than `room`."""
    if width_of(text, size, face) <= room:
        return text
    kept = text
    while kept and width_of(kept + ELLIPSIS, size, face) > room:
        kept = kept[:-1]
    return kept.rstrip() + ELLIPSIS if kept else ""


def size_to_fit(text: str, largest: float, smallest: float, room: float, face: Face = "sans") -> float:
    """Return the largest type size between the two at which the text fits `room`, or the smallest."""
    wide = width_of(text, 1.0, face)
    return max(smallest, min(largest, room / wide)) if wide > 0 else largest


def wrap(text: str, size: float, room: float, lines: int, face: Face = "sans") -> list[str]:
    """Return the text broken at spaces into at most `lines` lines of width `room`, the last shortened with dots."""
    if lines == 1:
        return [fit(" ".join(text.split()), size, room, face)]
    broken: list[str] = []
    line = ""
    words = text.split()
    for i, word in enumerate(words):
        longer = f"{line} {word}".strip()
        if not line or width_of(longer, size, face) <= room:
            line = longer
            continue
        broken.append(line)
        line = word
        if len(broken) == lines - 1:
            line = " ".join(words[i:])
            break
    if line:
        broken.append(line)
    return [fit(piece, size, room, face) for piece in broken]


def even(text: str, size: float, room: float, lines: int, face: Face = "sans") -> list[str]:
    """Return the text broken as `wrap` does, but into lines about as long as each other: no word is left alone."""
    broken, whole = wrap(text, size, room, lines, face), " ".join(text.split())
    narrow, wide = 0.0, room
    while len(broken) > 1 and " ".join(broken) == whole and wide - narrow > size / 4.0:
        middle = (narrow + wide) / 2.0
        tried = wrap(text, size, middle, lines, face)
        if len(tried) <= len(broken) and " ".join(tried) == whole:
            broken, wide = tried, middle
        else:
            narrow = middle
    return broken


def ticks(low: float, high: float, about: int) -> list[float]:
    """Return round numbers from `low` to `high`, about as many as asked for, 1, 2 or 5 times a power of ten apart."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return []
    rough = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = power * next(m for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * ROUNDING)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]
