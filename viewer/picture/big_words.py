"""A sentence in letters several lines high, for a terminal that is read from three metres away."""

from __future__ import annotations

import shutil
import sys
from importlib import resources

import numpy as np

from crankfold.viewer.picture.measures import width_of
from crankfold.viewer.words import tame

SANS = "DejaVuSansCondensed.ttf"
BLOCKS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"  # by which quarters are ink: upper left 1, upper right 2, lower left 4, lower right 8
TALLEST, LOWEST = 28, 10  # half lines a letter's size may have; below that letters are no longer clear
ROOM_SHARE = 0.6  # of the screen's lines
LINE_HEIGHT = 1.15
INK = 110  # of 255; from there on a quarter is ink
SMALLEST_SCREEN = (40, 10)


def big_words(text: str, columns: int, lines: int) -> list[str]:
    """Return the lines of a sentence in the largest letters that fit a screen; one line of plain text if none do."""
    text = tame(text)
    for size in range(TALLEST, LOWEST - 1, -1):
        rows = _broken(text, size, columns)
        if rows and len(rows) * size * LINE_HEIGHT <= 2.0 * lines * ROOM_SHARE:
            return [line for row in rows for line in _drawn(row, size, columns)]
    return [text]


def tell_big(text: str) -> None:
    """Print a sentence in large letters, where the output can show them."""
    columns, lines = shutil.get_terminal_size((100, 30))
    columns, lines = max(columns, SMALLEST_SCREEN[0]), max(lines, SMALLEST_SCREEN[1])
    try:
        BLOCKS.encode(sys.stdout.encoding or "ascii")
        shown = big_words(text, columns - 1, lines)
    except (UnicodeEncodeError, LookupError):
        shown = [tame(text)]
    sys.stdout.write("\n".join(("", *shown, "")))
    sys.stdout.flush()


def _broken(text: str, size: int, columns: int) -> list[str]:
    """Return the text in rows no wider than the screen, empty where a word alone is wider."""
    rows: list[str] = []
    for word in text.split():
        if rows and width_of(f"{rows[-1]} {word}", size) <= columns - 1:
            rows[-1] = f"{rows[-1]} {word}"
        elif width_of(word, size) <= columns - 1:
            rows.append(word)
        else:
            return []
    return rows


def _drawn(row: str, size: int, columns: int) -> list[str]:
    """Return one row of letters as lines of block characters."""
    from PIL import Image, ImageDraw, ImageFont

    height = 2 * int(np.ceil(size * LINE_HEIGHT / 2.0))
    font = ImageFont.truetype(str(resources.files("crankfold.viewer") / "fonts" / SANS), size)
    image = Image.new("L", (columns, height))
    ImageDraw.Draw(image).text((0, 0.92 * size), row, fill=255, font=font, anchor="ls")
    ink = np.asarray(image.resize((2 * columns, height), Image.Resampling.BILINEAR)) > INK
    quarters = ink[::2, ::2] + 2 * ink[::2, 1::2] + 4 * ink[1::2, ::2] + 8 * ink[1::2, 1::2]
    return ["".join(BLOCKS[code] for code in line).rstrip() for line in quarters.tolist()]
