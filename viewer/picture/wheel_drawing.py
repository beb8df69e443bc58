"""The wheel drawn: spokes as long as the relative compression, whiskers for the interval, what is lost hatched."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.scene import Box, Item, Panel, Path, Ring, Rule, Words
from crankfold.viewer.picture.wheel import HUB_SHARE, RULE_PERCENT, Spoke, WheelData, bar, half_width, point, radius
from crankfold.viewer.words import plain, say

if TYPE_CHECKING:
    from crankfold.viewer.picture.look import Paper

LARGEST, SMALLEST, STEP = 44.0, 11.0, 1.0  # of a cylinder's number
PERCENT_SHARE, WORDS_SHARE = 0.95, 0.66  # of the number's size: percentages are read from three metres, words from one
LEAST_SMALL = 10.0
NAME_LINE, LINE = 0.85, 1.3  # heights of lines, in their sizes
LEAST_RIM = 0.57  # of what fits without any words: the wheel stays a wheel
CLEAR, EDGE = 3.0, 6.0  # scene units between rim and words, and between words and the edge of the box
APART = 2.0  # between two labels
SIDEWAYS = 0.35  # sine of a spoke's direction from which long words are broken
NEARLY_ZERO = 1e-3
SCALE_SIZE = 14.0  # of the percentages on the circles
LEAST_HUB = 12.0  # size of the words in the hub; a smaller hub has none
LARGEST_NOTE, NOTE_SHARE = 16.0, 0.045  # size of the words below a wheel, at most and of its height
CAP = 0.8  # half width of a whisker's cap, of the spoke's


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


def draw_wheel(data: WheelData, box: Box, paper: Paper, *, cycle_deg: float, limit_percent: float,
               lit: int | None = None) -> list[Item]:
    """Return the wheel's items inside a box.

    `lit` is the 1-based position of a cylinder to bring out. A circle of dots is what a gauge's limit reads at the
    starter's speed.
    """
    inside = _inside(data, box)
    (x, y), (labels, rim) = middle_of(inside), fitting_labels(data, inside)
    items: list[Item] = [Panel(box, fill=paper.card, stroke=paper.rule), *_circles((x, y), rim, limit_percent, paper)]
    if data.gauge_limit_percent is not None:
        items += [Ring(x, y, radius(data.gauge_limit_percent, rim), stroke=paper.vermilion, width=look.FINE,
                       dash=(1.5, 4.0)),
                  Words(box.left + 2 * EDGE, box.bottom - EDGE, say("label.gauge_limit", rule_percent=RULE_PERCENT),
                        _note_size(box), paper.faint)]
    for spoke in data.spokes:
        items += _spoke(spoke, (x, y), rim, data.wide_deg, paper, lit=lit == spoke.position)
    for label in labels:
        items += _label(label, (x, y), rim, paper)
    return [*items, *_hub((x, y), rim, cycle_deg, paper), *_scale((x, y), rim, data, limit_percent, paper)]


def wheel_centre(data: WheelData, box: Box) -> tuple[float, float, float]:
    """Return where the middle of a wheel lies in its box, and the radius of its rim."""
    inside = _inside(data, box)
    return (*middle_of(inside), fitting_labels(data, inside)[1])


def _note_size(box: Box) -> float:
    return min(LARGEST_NOTE, max(LEAST_SMALL, NOTE_SHARE * box.height))


def _inside(data: WheelData, box: Box) -> Box:
    """Return the box without the line below the wheel that says what the dots are."""
    line = 0.0 if data.gauge_limit_percent is None else _note_size(box)
    return Box(box.left, box.top, box.width, box.height - line)


def _circles(centre: tuple[float, float], rim: float, limit: float, paper: Paper) -> list[Item]:
    x, y = centre
    return [Ring(x, y, radius(100.0, rim), stroke=paper.rule, width=look.HAIR),
            Ring(x, y, radius(limit, rim), stroke=paper.vermilion, width=look.HAIR, dash=(4.0, 4.0)),
            Ring(x, y, radius(50.0, rim), stroke=paper.rule, width=look.HAIR, dash=(1.5, 5.0))]


def _spoke(spoke: Spoke, centre: tuple[float, float], rim: float, wide_deg: float, paper: Paper, *,
           lit: bool) -> list[Item]:
    low = spoke.state in ("low", "dead")
    inner = rim * HUB_SHARE
    middle = np.array(centre)
    colour = paper.vermilion if low else paper.ink
    width = look.BOLD if lit else 1.6
    half = half_width(wide_deg, rim)
    shape = bar(spoke.turn_deg, half, inner, max(radius(spoke.percent, rim), inner + 1.5)) + middle
    items: list[Item] = [Path(shape, stroke=colour, width=width, closed=True, fill=paper.blush if low else paper.wash)]
    if low:
        lost = bar(spoke.turn_deg, half, max(radius(spoke.percent, rim), inner), radius(100.0, rim)) + middle
        items.insert(0, Path(lost, stroke=colour, width=1.0, closed=True, hatch=paper.vermilion))
    if spoke.state in ("watch", "limit"):
        inside = bar(spoke.turn_deg, half * 0.7, inner + 4.0, radius(spoke.percent, rim) - 4.0) + middle
        items.append(Path(inside, stroke=colour, width=1.0, closed=True, dash=(2.0, 3.0)))
    return items + _whisker(spoke, centre, rim, wide_deg, paper)


def _whisker(spoke: Spoke, centre: tuple[float, float], rim: float, wide_deg: float, paper: Paper) -> list[Item]:
    x, y = centre
    ends = [point(spoke.turn_deg, radius(p, rim)) for p in (spoke.low_percent, spoke.high_percent)]
    half = max(4.0, CAP * half_width(wide_deg, rim))
    across = point(spoke.turn_deg + 90.0, half)
    (x1, y1), (x2, y2) = ends
    lines = [Rule(x + x1, y + y1, x + x2, y + y2, paper.ink, 2.2)]
    lines += [Rule(x + ex - across[0], y + ey - across[1], x + ex + across[0], y + ey + across[1], paper.ink, 2.2)
              for ex, ey in ends]
    return list(lines)


def _label(label: Label, centre: tuple[float, float], rim: float, paper: Paper) -> list[Item]:
    """Write number and percent outside the rim, the block just clear of it in the spoke's direction."""
    block = label.box(centre, rim)
    x = block.left + block.width / 2.0
    colour = paper.vermilion if label.low else paper.ink
    items: list[Item] = [Words(x, block.top + label.size * 0.75, label.name, label.size, colour, anchor="middle",
                               face="serif")]
    y = block.top + label.size * NAME_LINE
    for line in label.lines:
        wide = measures.width_of(line, label.small) + 10.0
        if label.low:
            items.append(Panel(Box(x - wide / 2.0, y, wide, label.small * LINE), fill=paper.blush, radius=3.0))
        items.append(Words(x, y + label.small * 0.98, line, label.small, colour, anchor="middle"))
        y += label.small * LINE
    return items


def _hub(centre: tuple[float, float], rim: float, cycle_deg: float, paper: Paper) -> list[Item]:
    x, y = centre
    hub = rim * HUB_SHARE
    turns = np.radians(np.linspace(-50.0, 230.0, 60))
    arrow = np.column_stack([x + hub * 0.74 * np.sin(turns), y - hub * 0.74 * np.cos(turns)])
    tip, heading = arrow[-1], np.radians(230.0) + np.pi / 2.0
    barbs = np.array([tip + 7.0 * np.array([np.sin(heading + a), -np.cos(heading + a)]) for a in (2.6, 3.68)])
    head = np.stack([barbs[0], tip, barbs[1]])
    words = say("label.cycle", cycle_deg=plain(cycle_deg, 0))
    size = min(look.SCALE_TYPE, measures.size_to_fit(words, 40.0, 1.0, 1.2 * hub))
    inside: list[Item] = [Words(x, y + 0.35 * size, words, size, paper.faint, anchor="middle")]
    return [Ring(x, y, hub, stroke=paper.ink, width=1.2, fill=paper.card),
            Path(arrow, stroke=paper.faint, width=1.2), Path(head, stroke=paper.faint, width=1.2),
            *(inside if size >= LEAST_HUB else ())]


def _scale(centre: tuple[float, float], rim: float, data: WheelData, limit: float, paper: Paper) -> list[Item]:
    """Write the percentages of the circles where no spoke is in the way."""
    turns = sorted(s.turn_deg % 360.0 for s in data.spokes)
    gaps = [((b - a) % 360.0 or 360.0, a) for a, b in zip(turns, [*turns[1:], turns[0]], strict=True)]
    widest, after = max(gaps)
    grounds, words = list[Panel](), list[Words]()
    for percent in (limit, 100.0, 50.0):
        dx, dy = point(after + widest / 2.0, radius(percent, rim))
        x, y, text = centre[0] + dx, centre[1] + dy, plain(percent, 0)
        wide = measures.width_of(text, SCALE_SIZE) + 4.0
        ground = Panel(Box(x - wide / 2.0, y - SCALE_SIZE * 0.4, wide, SCALE_SIZE * 0.8), fill=paper.card)
        if any(_overlap(ground.box, other.box) for other in grounds):
            continue
        grounds.append(ground)
        words.append(Words(x, y + SCALE_SIZE * 0.36, text, SCALE_SIZE,
                           paper.vermilion if percent == limit else paper.faint, anchor="middle"))
    return [*grounds, *words]


def _overlap(one: Box, other: Box) -> bool:
    return one.left < other.right and other.left < one.right and one.top < other.bottom and other.top < one.bottom
