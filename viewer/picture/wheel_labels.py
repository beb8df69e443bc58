"""Numbers and percentages round a wheel: as large as it allows, none over its edge and none on another."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from crankfold.viewer.picture import measures
from crankfold.viewer.picture.scene import Box
from crankfold.viewer.picture.wheel import point
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.picture.wheel import Spoke, WheelData

LARGEST, SMALLEST, STEP = 44.0, 11.0, 1.0  # of a cylinder's number
PERCENT_SHARE, WORDS_SHARE = 0.95, 0.66  # of the number's size: percentages are read from three metres, words from one
LEAST_SMALL = 10.0
NAME_LINE, LINE = 0.85, 1.3  # heights of lines, in their sizes
LEAST_RIM = 0.57  # of what fits without any words: the wheel stays a wheel
CLEAR, EDGE = 3.0, 6.0  # scene units between rim and words, and between words and the edge of the box
APART = 2.0  # between two labels
SIDEWAYS = 0.35  # sine of a spoke's direction from which long words are broken
NEARLY_ZERO = 1e-3


@dataclass(frozen=True)
class Label:
    """What is written beside one spoke.

    Parameters
    ----------
    turn_deg
        The spoke's direction.
    name, lines
        Its number, and what stands below it.
    size, small
        Of the number and of the lines.
    low
        Whether it is brought out.
    """

    turn_deg: float
    name: str
    lines: tuple[str, ...]
    size: float
    small: float
    low: bool

    @property
    def wide(self) -> float:
        """Width of the block."""
        name = measures.width_of(self.name, self.size, "serif")
        return max(name, *(measures.width_of(line, self.small) + 10.0 for line in self.lines))

    @property
    def tall(self) -> float:
        """Height of the block."""
        return self.size * NAME_LINE + self.small * LINE * len(self.lines)

    def box(self, centre: tuple[float, float], rim: float) -> Box:
        """Return where the block lies outside a rim."""
        sine, cosine = point(self.turn_deg, 1.0)
        reach = rim + CLEAR + abs(sine) * self.wide / 2.0 + abs(cosine) * self.tall / 2.0
        dx, dy = point(self.turn_deg, reach)
        return Box(centre[0] + dx - self.wide / 2.0, centre[1] + dy - self.tall / 2.0, self.wide, self.tall)

    def rim_in(self, box: Box) -> float:
        """Return the largest rim at which the block lies inside a box."""
        sine, cosine = (abs(part) for part in point(self.turn_deg, 1.0))
        own = CLEAR + sine * self.wide / 2.0 + cosine * self.tall / 2.0
        across, down = ((room / 2.0 - EDGE - side / 2.0) / share if share > NEARLY_ZERO else room
                        for room, side, share in ((box.width, self.wide, sine), (box.height, self.tall, cosine)))
        return min(across, down) - own


def middle_of(box: Box) -> tuple[float, float]:
    """Return the middle of a box."""
    return box.left + box.width / 2.0, box.top + box.height / 2.0


def fitting_labels(data: WheelData, box: Box) -> tuple[tuple[Label, ...], float]:
    """Return the labels of a wheel in the largest type that leaves it room, and the radius of its rim."""
    bare = min(box.width, box.height) / 2.0 - EDGE
    size = LARGEST
    while True:
        labels = tuple(label_of(spoke, size) for spoke in data.spokes)
        rim = min(bare, *(label.rim_in(box) for label in labels))
        if (rim >= LEAST_RIM * bare and not _meet(labels, middle_of(box), rim)) or size <= SMALLEST:
            return labels, max(rim, 1.0)
        size -= STEP


def label_of(spoke: Spoke, size: float) -> Label:
    """Return the label of a spoke, its number in that size."""
    name = str(spoke.cylinder) if spoke.cylinder is not None else say("name.short", position=spoke.position)
    low = spoke.state in ("low", "dead")
    if spoke.state == "dead":
        words = say("state.dead")
        broken = tuple(words.split()) if abs(point(spoke.turn_deg, 1.0)[0]) > SIDEWAYS else (words,)
        return Label(spoke.turn_deg, name, broken, size, max(LEAST_SMALL, WORDS_SHARE * size), low)
    words = say("label.percent_short", relative_percent=spoke.percent)
    if spoke.state != "good":
        words = f"{say(f'state.{spoke.state}')} {words}"
    return Label(spoke.turn_deg, name, (words,), size, max(LEAST_SMALL, PERCENT_SHARE * size), low)


def _meet(labels: tuple[Label, ...], centre: tuple[float, float], rim: float) -> bool:
    """Return whether two blocks lie on each other."""
    blocks = [label.box(centre, rim) for label in labels]
    return any(a.left < b.right + APART and b.left < a.right + APART and a.top < b.bottom + APART
               and b.top < a.bottom + APART for a, b in combinations(blocks, 2))
