"""Small drawings of where to clip: battery, cable, starter, engine and board, and what is put on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import Box, Item, Panel, Path, Ring, Rule, Words, measures
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.viewer.picture import Anchor, Paper
    from crankfold.viewer.window.set_up import Draft

WIDE, TALL = 600.0, 420.0  # units every drawing is made in, before it is fitted to its place
CABLE, WIRE, LINE = 7.0, 2.0, 2.0
SIZE = 20.0
BATTERY = Box(40.0, 250.0, 150.0, 100.0)
STARTER = (470.0, 300.0)
BOARD = Box(225.0, 40.0, 150.0, 80.0)


def drawing(key: str, paper: Paper, draft: Draft) -> list[Item]:
    """Return the drawing of a choice in a box of `WIDE` by `TALL` units."""
    if key.startswith("probe-"):
        return _probe(key.removeprefix("probe-"), paper)
    if key.startswith("sync-"):
        return _sync(key.removeprefix("sync-"), paper, draft)
    if key == "engine":
        return _engine(paper, draft)
    return _rig(paper)


def fitted(items: list[Item], box: Box) -> list[Item]:
    """Return a drawing moved and scaled into a box."""
    k = min(box.width / WIDE, box.height / TALL)
    dx, dy = box.left + (box.width - k * WIDE) / 2.0, box.top + (box.height - k * TALL) / 2.0
    return [moved(item, k, dx, dy) for item in items]


def moved(item: Item, k: float, dx: float, dy: float) -> Item:
    """Return an item scaled and then moved."""
    if isinstance(item, Path):
        return Path(item.points * k + (dx, dy), item.stroke, item.width * k, item.fill, item.closed, item.hatch,
                    item.dash, item.opacity)
    if isinstance(item, Rule):
        return Rule(item.x1 * k + dx, item.y1 * k + dy, item.x2 * k + dx, item.y2 * k + dy, item.stroke,
                    item.width * k, item.dash)
    if isinstance(item, Panel):
        box = Box(item.box.left * k + dx, item.box.top * k + dy, item.box.width * k, item.box.height * k)
        return Panel(box, item.fill, item.stroke, item.width * k, item.hatch, item.radius * k, item.opacity)
    if isinstance(item, Ring):
        return Ring(item.x * k + dx, item.y * k + dy, item.radius * k, item.stroke, item.width * k, item.fill,
                    item.dash)
    return Words(item.x * k + dx, item.y * k + dy, item.text, item.size * k, item.colour, item.anchor, item.face,
                 item.turn_deg)


def _name(key: str, x: float, y: float, paper: Paper, anchor: Anchor = "middle") -> Words:
    return Words(x, y, say(f"window.drawn.{key}"), SIZE, paper.ink, anchor=anchor)


def _bend(*points: tuple[float, float]) -> NDArray[np.float64]:
    """Return a curve that hangs between points like a cable."""
    corners = np.array(points)
    at = np.linspace(0.0, len(corners) - 1.0, 40 * (len(corners) - 1) + 1)
    low = np.minimum(at.astype(int), len(corners) - 2)
    share = at - low
    smooth = share * share * (3.0 - 2.0 * share)
    x = corners[low, 0] + (corners[low + 1, 0] - corners[low, 0]) * share
    y = corners[low, 1] + (corners[low + 1, 1] - corners[low, 1]) * smooth
    return np.column_stack([x, y])


def _circuit(paper: Paper) -> list[Item]:
    """Draw battery, the starter's lead, the starter and the way back."""
    b, (x, y) = BATTERY, STARTER
    items: list[Item] = [Panel(b, fill=paper.wash, stroke=paper.ink, width=LINE, radius=4.0)]
    for post, sign in ((b.left + 35.0, "-"), (b.right - 35.0, "+")):
        items.append(Panel(Box(post - 9.0, b.top - 14.0, 18.0, 14.0), fill=paper.card, stroke=paper.ink, width=LINE))
        items.append(Words(post, b.top + 26.0, sign, 24.0, paper.ink, anchor="middle", face="serif"))
    items.append(_name("battery", b.left + b.width / 2.0, b.top + 70.0, paper))
    items.append(Path(_bend((b.right - 35.0, b.top - 14.0), (b.right + 40.0, 205.0), (x - 60.0, 205.0),
                            (x - 20.0, y - 38.0)), stroke=paper.ink, width=CABLE))
    items.append(Path(_bend((b.left + 35.0, b.top - 14.0), (b.left - 10.0, 215.0), (b.left - 18.0, 380.0),
                            (x - 40.0, 392.0), (x, y + 38.0)), stroke=paper.faint, width=CABLE))
    items += [Panel(Box(x - 60.0, y - 38.0, 110.0, 76.0), fill=paper.wash, stroke=paper.ink, width=LINE, radius=14.0),
              Panel(Box(x + 50.0, y - 14.0, 34.0, 28.0), fill=paper.card, stroke=paper.ink, width=LINE),
              _name("starter", x - 6.0, y + 6.0, paper)]
    return items


def _board(paper: Paper) -> list[Item]:
    b = BOARD
    return [Panel(b, fill=paper.card, stroke=paper.ink, width=LINE, radius=3.0),
            *(Ring(b.left + dx, b.top + dy, 4.0, stroke=paper.ink, width=1.2)
              for dx in (10.0, b.width - 10.0) for dy in (10.0, b.height - 10.0)),
            _name("board", b.left + b.width / 2.0, b.top + 46.0, paper),
            Path(_bend((b.right, b.top + 40.0), (b.right + 70.0, b.top + 20.0), (530.0, b.top + 40.0)),
                 stroke=paper.ink, width=WIRE),
            Panel(Box(500.0, b.top + 12.0, 84.0, 54.0), fill=paper.wash, stroke=paper.ink, width=LINE, radius=3.0),
            Panel(Box(490.0, b.top + 66.0, 104.0, 8.0), fill=paper.card, stroke=paper.ink, width=LINE)]


def _wires(paper: Paper, *ends: tuple[float, float]) -> list[Item]:
    """Draw thin wires from the board's underside."""
    items: list[Item] = []
    for k, (x, y) in enumerate(ends):
        start = (BOARD.left + 60.0 + 30.0 * k, BOARD.bottom)
        items.append(Path(_bend(start, (x, y)), stroke=paper.plum, width=WIRE))
        items.append(Ring(x, y, 6.0, stroke=paper.plum, width=WIRE, fill=paper.card))
    return items


def _clamp(x: float, y: float, paper: Paper) -> list[Item]:
    turns = np.radians(np.linspace(-60.0, 240.0, 60))
    jaw = np.column_stack([x + 22.0 * np.sin(turns), y + 22.0 * np.cos(turns)])
    other = np.radians(np.linspace(245.0, 295.0, 20))
    return [Path(jaw, stroke=paper.plum, width=6.0),
            Path(np.column_stack([x + 22.0 * np.sin(other), y + 22.0 * np.cos(other)]), stroke=paper.plum, width=6.0),
            Panel(Box(x - 14.0, y - 66.0, 28.0, 44.0), fill=paper.card, stroke=paper.plum, width=LINE, radius=5.0),
            Path(_bend((BOARD.left + 75.0, BOARD.bottom), (x, y - 66.0)), stroke=paper.plum, width=WIRE)]


def _probe(key: str, paper: Paper) -> list[Item]:
    items = [*_circuit(paper), *_board(paper)]
    if key in ("clamp", "amperes"):
        items += [*_clamp(240.0, 207.0, paper), _name("lead", 412.0, 188.0, paper)]
    if key == "clamp":
        items.append(_name("clamp", 190.0, 160.0, paper, "end"))
    elif key == "shunt":
        bar = Box(205.0, 378.0, 90.0, 24.0)
        items += [Panel(bar, fill=paper.card, stroke=paper.ink, width=LINE),
                  *_wires(paper, (bar.left + 14.0, bar.top), (bar.right - 14.0, bar.top)),
                  _name("shunt", 306.0, 372.0, paper, "start")]
    elif key == "cable":
        items += [*_wires(paper, (225.0, 386.0), (360.0, 389.0)),
                  Rule(225.0, 400.0, 360.0, 400.0, paper.ink, 1.2), _name("length", 292.0, 418.0, paper)]
    elif key == "battery":
        items += _wires(paper, (BATTERY.left + 35.0, BATTERY.top - 10.0), (BATTERY.right - 35.0, BATTERY.top - 10.0))
    else:
        items.append(_name("amperes", BOARD.left + 75.0, BOARD.top - 12.0, paper))
    return items


def _rig(paper: Paper) -> list[Item]:
    return _probe("clamp", paper)


def _engine(paper: Paper, draft: Draft) -> list[Item]:
    """Draw the cylinders in a row, and under each when it compresses."""
    from crankfold.viewer.window.set_up import Step, problem

    if problem(draft, Step.ENGINE):
        return [Panel(Box(60.0, 90.0, WIDE - 120.0, 220.0), fill=paper.wash, stroke=paper.ink, width=LINE, radius=6.0)]
    engine = draft.engine_card().engine()
    numbers = sorted(engine.firing_order)
    step = (WIDE - 80.0) / len(numbers)
    wide = min(70.0, 0.72 * step)
    items: list[Item] = [Panel(Box(30.0, 110.0, WIDE - 60.0, 190.0), fill=paper.wash, stroke=paper.ink, width=LINE,
                               radius=6.0), _name("cylinders", WIDE / 2.0, 92.0, paper)]
    for k, number in enumerate(numbers):
        x = 40.0 + (k + 0.5) * step
        items += [Panel(Box(x - wide / 2.0, 130.0, wide, 110.0), fill=paper.card, stroke=paper.ink, width=LINE),
                  Panel(Box(x - wide / 2.0 + 3.0, 180.0, wide - 6.0, 26.0), fill=paper.rule, stroke=paper.ink,
                        width=1.2),
                  Rule(x, 206.0, x, 240.0, paper.ink, 4.0),
                  Words(x, 284.0, str(number), min(30.0, 0.6 * step), paper.ink, anchor="middle", face="serif")]
    order = say("window.drawn.order", order="-".join(map(str, engine.firing_order)))
    items.append(Words(WIDE / 2.0, 340.0, order, measures.size_to_fit(order, 22.0, 10.0, WIDE - 40.0), paper.ink,
                       anchor="middle"))
    return items


def _sync(key: str, paper: Paper, draft: Draft) -> list[Item]:
    """Draw the head with its plugs, and what listens to it."""
    items: list[Item] = [*_board(paper)]
    head = Box(60.0, 270.0, 420.0, 110.0)
    items += [Panel(head, fill=paper.wash, stroke=paper.ink, width=LINE, radius=6.0),
              Ring(520.0, 325.0, 42.0, stroke=paper.ink, width=LINE, fill=paper.wash)]
    plugs = [head.left + 90.0 + 90.0 * k for k in range(4)]
    for k, x in enumerate(plugs):
        items += _plug(x, head.top, paper, lead=not (k == 0 and key in ("pressure", "plug-out")))
    marked = plugs[0]
    number = draft["cylinder"] or "1"
    if key != "none":
        items.append(Words(marked, head.top + 62.0, number, 30.0, paper.ink, anchor="middle", face="serif"))
    if key in ("waste-spark", "single-spark"):
        items += [Path(_bend((BOARD.left + 60.0, BOARD.bottom), (marked + 2.0, head.top - 66.0)), stroke=paper.plum,
                       width=WIRE),
                  Panel(Box(marked - 20.0, head.top - 80.0, 40.0, 26.0), fill=paper.card, stroke=paper.plum, width=3.0,
                        radius=6.0), _name("clip", 12.0, head.top - 90.0, paper, "start")]
    elif key == "cam":
        items += [*_wires(paper, (520.0, 283.0)), _name("cam", 520.0, 262.0, paper)]
    elif key == "pressure":
        items += [Panel(Box(marked - 12.0, head.top - 60.0, 24.0, 62.0), fill=paper.card, stroke=paper.plum, width=3.0),
                  Path(_bend((BOARD.left + 60.0, BOARD.bottom), (marked, head.top - 60.0)), stroke=paper.plum,
                       width=WIRE), _name("sensor", marked - 24.0, head.top - 40.0, paper, "end")]
    elif key == "plug-out":
        items += [Ring(marked, head.top + 4.0, 12.0, stroke=paper.ink, width=LINE, fill=paper.card),
                  *_plug(marked - 10.0, 190.0, paper, lead=False),
                  _name("plug_out", marked - 34.0, 180.0, paper, "end")]
    return items


def _plug(x: float, top: float, paper: Paper, *, lead: bool) -> list[Item]:
    if not lead and top > 200.0:
        return []
    items: list[Item] = [Panel(Box(x - 9.0, top - 26.0, 18.0, 28.0), fill=paper.card, stroke=paper.ink, width=LINE),
                         Panel(Box(x - 5.0, top - 44.0, 10.0, 18.0), fill=paper.card, stroke=paper.ink, width=LINE)]
    if lead:
        items.append(Path(_bend((x, top - 44.0), (x + 10.0, top - 80.0), (x + 60.0, top - 104.0)), stroke=paper.ink,
                          width=4.0))
    return items
