"""How everything looks: warm paper, dark ink, thin lines; the same palette for pictures, sheet and window."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Paper:
    """Colours of one kind of paper, as ``#rrggbb``.

    Parameters
    ----------
    paper, card
        The page, and the slightly different stock that strip, fold and wheel are drawn on.
    ink, faint, rule
        Current and words; lesser words (contrast at least 4.5 to 1 on `card`); hairlines and scales.
    wash
        A light wash for the cranking window and for good cylinders.
    plum
        Sync marks.
    vermilion, blush
        A low cylinder, and the ground of its hatching.
    slate
        The model's line over the measured one.
    """

    paper: str
    card: str
    ink: str
    faint: str
    rule: str
    wash: str
    plum: str
    vermilion: str
    blush: str
    slate: str


LIGHT = Paper(paper="#f4ecdb", card="#fbf6ea", ink="#26211a", faint="#6a5f4d", rule="#cfc2a6", wash="#ece1c8",
              plum="#7a2f6b", vermilion="#b02d15", blush="#f6dccf", slate="#2f5d73")
DARK = Paper(paper="#211d18", card="#2a251f", ink="#f0e6d2", faint="#b5a88f", rule="#574d3e", wash="#3a332a",
             plum="#dd9fd0", vermilion="#ff8264", blush="#55291e", slate="#8fc1d6")

HAIR = 0.8
"""Width of scales and rules, in scene units."""
FINE = 1.3
"""Width of the current's line."""
BOLD = 3.0
"""Width of the middle of the cycles and of outlines that matter."""

SCALE_TYPE = 16.0
"""Size of the numbers of scales, and of what is written beside them."""

SANS = "DejaVu Sans Condensed"
SERIF = "DejaVu Serif Condensed"
SANS_STACK = "'DejaVu Sans Condensed','DejaVu Sans','Liberation Sans',Arial,sans-serif"
SERIF_STACK = "'DejaVu Serif Condensed','DejaVu Serif','Liberation Serif',Georgia,serif"


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21, as the Web Content Accessibility Guidelines define it."""
    first, second = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (first + 0.05) / (second + 0.05)


def _luminance(colour: str) -> float:
    parts = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
