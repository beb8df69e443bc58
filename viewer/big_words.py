"""A sentence in letters several lines high, for a terminal that is read from three metres away."""

from __future__ import annotations

import shutil
import struct
import sys
import zlib
from html import escape
from importlib import resources

import numpy as np

from crankfold.viewer.picture import look
from crankfold.viewer.picture.measures import width_of
from crankfold.viewer.picture.png import FONTS
from crankfold.viewer.terminal import tame

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
    from resvg_py import svg_to_bytes

    height = 2 * int(np.ceil(size * LINE_HEIGHT / 2.0))
    svg = (f'<svg xmlns="http://www.w3.org/2000/svg" width="{2 * columns}" height="{height}">'
           f'<text transform="scale(2,1)" x="0" y="{0.92 * size}" font-family="{escape(look.SANS_STACK)}" '
           f'font-size="{size}">{escape(row)}</text></svg>')
    folder = resources.files("crankfold.viewer") / "fonts"
    image = svg_to_bytes(svg_string=svg, skip_system_fonts=True, font_files=[str(folder / name) for name in FONTS])
    ink = _opacity(bytes(image)) > INK
    quarters = ink[::2, ::2] + 2 * ink[::2, 1::2] + 4 * ink[1::2, ::2] + 8 * ink[1::2, 1::2]
    return ["".join(BLOCKS[code] for code in line).rstrip() for line in quarters.tolist()]


def _opacity(png: bytes) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Return how opaque each pixel of a PNG with four channels of eight bits is, shape (height, width), 0 to 255."""
    at, packed, width, height = 8, b"", 0, 0
    while at < len(png):
        (length,), kind = struct.unpack(">I", png[at : at + 4]), png[at + 4 : at + 8]
        body = png[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            width, height = struct.unpack(">II", body[:8])
        elif kind == b"IDAT":
            packed += body
        at += length + 12
    raw = zlib.decompress(packed)
    out = np.zeros((height + 1, 4 * width + 4), dtype=np.int64)  # a row above and a pixel to the left stay zero
    for y in range(height):
        line = raw[y * (4 * width + 1) : (y + 1) * (4 * width + 1)]
        _unfilter(out, y + 1, line[0], np.frombuffer(line[1:], np.uint8))
    return out[1:, 7::4].astype(np.uint8)


def _unfilter(out: np.ndarray[tuple[int, int], np.dtype[np.int64]], y: int, kind: int,
              line: np.ndarray[tuple[int], np.dtype[np.uint8]]) -> None:
    """Put one line's values into row `y` of `out`, undoing the filter of that kind (PNG, ISO/IEC 15948, clause 9)."""
    for x, value in enumerate(line.tolist(), start=4):
        left, up, corner = int(out[y, x - 4]), int(out[y - 1, x]), int(out[y - 1, x - 4])
        guess = (0, left, up, (left + up) // 2, _nearest(left, up, corner))[kind]
        out[y, x] = (value + guess) & 255


def _nearest(left: int, up: int, corner: int) -> int:
    by = left + up - corner
    return min((left, up, corner), key=lambda value: abs(by - value))
