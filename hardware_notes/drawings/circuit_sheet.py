"""A sheet to draw a circuit on: warm paper, dark ink, thin lines, one method a part; the result is SVG."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

PAPER, INK, DANGER, PLUM = "#faf5ea", "#2b2622", "#c8442b", "#6b3a5b"
Point = tuple[float, float]


class Sheet:
    """One drawing, ``width`` by ``height`` pixels; all coordinates from its upper left corner."""

    def __init__(self, name: str, title: str, width: int, height: int) -> None:
        self.name, self.title, self.width, self.height = name, title, width, height
        self.parts: list[str] = []
        self.text(20, 30, title, size=17)

    def svg(self) -> str:
        """Return the whole file."""
        title, w, h = escape(self.title), self.width, self.height
        head = (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" '
                f'font-family="DejaVu Sans, Arial, sans-serif" role="img" aria-label="{title}">')
        return "\n".join([head, f"<title>{title}</title>", f'<rect width="{w}" height="{h}" fill="{PAPER}"/>',
                          *self.parts, "</svg>", ""])

    def text(self, x: float, y: float, words: str, *, size: int = 13, anchor: str = "start", colour: str = INK) -> None:
        """Write words whose baseline begins, ends or is centred at a point."""
        self.parts.append(f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" '
                          f'fill="{colour}">{escape(words)}</text>')

    def foot(self, *lines: str) -> None:
        """Write lines of small words at the bottom."""
        for number, line in enumerate(lines):
            self.text(20, self.height - 14 - 20 * (len(lines) - 1 - number), line, size=12)

    def wire(self, *points: Point, colour: str = INK, width: float = 1.4, dash: str = "") -> None:
        """Draw a line through points."""
        where = " ".join(f"{x:g},{y:g}" for x, y in points)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(f'<polyline points="{where}" fill="none" stroke="{colour}" '
                          f'stroke-width="{width:g}"{dashes}/>')

    def dot(self, x: float, y: float, colour: str = INK) -> None:
        """Mark a joint."""
        self.parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="3" fill="{colour}"/>')

    def box(self, x: float, y: float, w: float, h: float, words: Iterable[str] = ()) -> None:
        """Draw a box with centred lines of words."""
        self.parts.append(f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" fill="{PAPER}" stroke="{INK}" '
                          'stroke-width="1.4"/>')
        lines = list(words)
        for number, line in enumerate(lines):
            self.text(x + w / 2, y + h / 2 + 5 + 16 * (number - (len(lines) - 1) / 2), line, anchor="middle")

    def resistor(self, x: float, y: float, words: str) -> float:
        """Draw one that lies, from ``x``, and return where it ends."""
        self.box(x, y - 7, 46, 14)
        self.text(x + 23, y - 13, words, anchor="middle")
        return x + 46

    def resistor_down(self, x: float, y: float, words: str, *, left: bool = False) -> float:
        """Draw one that stands, from ``y`` down, and return where it ends."""
        self.box(x - 7, y, 14, 40)
        self._beside(x, y + 25, words, left)
        return y + 40

    def fuse(self, x: float, y: float, *, lies: bool = False) -> float:
        """Draw a fuse from a point and return where it ends."""
        if lies:
            self.box(x, y - 6, 30, 12)
            self.wire((x, y), (x + 30, y), width=1)
            return x + 30
        self.box(x - 6, y, 12, 30)
        self.wire((x, y), (x, y + 30), width=1)
        return y + 30

    def capacitor_down(self, x: float, y: float, words: str, *, left: bool = False) -> float:
        """Draw one with its plates lying, from ``y`` down, and return where it ends."""
        self.wire((x, y), (x, y + 16))
        self.wire((x - 11, y + 16), (x + 11, y + 16), width=2)
        self.wire((x - 11, y + 23), (x + 11, y + 23), width=2)
        self._beside(x + (-6 if left else 6), y + 24, words, left)
        return y + 23

    def capacitor(self, x: float, y: float, words: str) -> float:
        """Draw one that lies, from ``x``, and return where it ends."""
        self.wire((x, y - 11), (x, y + 11), width=2)
        self.wire((x + 7, y - 11), (x + 7, y + 11), width=2)
        self.text(x + 3, y - 17, words, anchor="middle")
        return x + 7

    def diode(self, x: float, y: float) -> float:
        """Draw one that conducts to the right, from ``x``, and return where it ends."""
        self._triangle((x, y - 8), (x, y + 8), (x + 14, y))
        self.wire((x + 14, y - 8), (x + 14, y + 8))
        return x + 14

    def diode_up(self, x: float, y: float, *, zener: bool = False) -> float:
        """Draw one that conducts upwards, its cathode at ``y``, and return where its anode is."""
        self._triangle((x - 8, y + 14), (x + 8, y + 14), (x, y))
        ends = [(x - 11, y + 4), (x - 8, y), (x + 8, y), (x + 11, y - 4)] if zener else [(x - 8, y), (x + 8, y)]
        self.wire(*ends)
        return y + 14

    def suppressor_down(self, x: float, y: float) -> float:
        """Draw two Zener diodes against each other and return where they end."""
        self._triangle((x - 8, y), (x + 8, y), (x, y + 14))
        self._triangle((x - 8, y + 28), (x + 8, y + 28), (x, y + 14))
        self.wire((x - 11, y + 18), (x - 8, y + 14), (x + 8, y + 14), (x + 11, y + 10))
        return y + 28

    def ground(self, x: float, y: float) -> None:
        """Draw the sign of ground, hanging from a point."""
        self.wire((x, y), (x, y + 8))
        for half, at in ((10, 8), (6, 12), (2, 16)):
            self.wire((x - half, y + at), (x + half, y + at))

    def to_ground(self, x: float, y: float, ground_y: float) -> None:
        """Draw a wire down to ground."""
        self.wire((x, y), (x, ground_y))
        self.ground(x, ground_y)

    def _triangle(self, *points: Point) -> None:
        where = " ".join(f"{x:g},{y:g}" for x, y in points)
        self.parts.append(f'<polygon points="{where}" fill="{PAPER}" stroke="{INK}" stroke-width="1.4"/>')

    def _beside(self, x: float, y: float, words: str, left: bool) -> None:
        self.text(x - 12 if left else x + 12, y, words, anchor="end" if left else "start")
