"""The picture of a fleet: verdicts counted, the weakest cylinders piled by percent, captures to look at first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.fleet_scene import BIN_PERCENT, BINS, FleetData, Worst
from crankfold.viewer.picture.page import LIMIT_PERCENT, MARGIN, WIDTH, title_over
from crankfold.viewer.picture.scene import Box, Item, Panel, Rule, Scene, Words
from crankfold.viewer.words import say, say_count

if TYPE_CHECKING:
    from crankfold.viewer.picture.look import Paper

HEIGHT = 960.0
PILES = Box(MARGIN, 176.0, WIDTH - 2 * MARGIN, 320.0)
COUNTS = Box(MARGIN, 552.0, 560.0, 360.0)
WORST = Box(MARGIN + 592.0, 552.0, WIDTH - 2 * MARGIN - 592.0, 360.0)
ROW = 37.0
REASONS_SHOWN = 5


def fleet_picture(fleet: FleetData, *, paper: Paper = look.LIGHT,
                  limit_percent: float = LIMIT_PERCENT) -> Scene:
    """Return the picture of a batch.

    Parameters
    ----------
    fleet
        Its rows counted.
    paper
        Colours.
    limit_percent
        Below it a cylinder is low.
    """
    count = fleet.tally
    text = say_count("fleet.headline", count.uneven, judged=count.even + count.uneven + count.limit, of=count.total)
    scene = Scene(WIDTH, HEIGHT, paper.paper, title=text, description="; ".join(w.headline for w in fleet.worst))
    size = measures.size_to_fit(text, 56.0, 30.0, WIDTH - 2 * MARGIN, "serif")
    scene.add(Words(MARGIN, 80.0, text, size, paper.vermilion if count.uneven else paper.ink, face="serif"))
    scene.add(Words(MARGIN, 122.0, say("fleet.unjudged", none=count.none, unread=count.unread), 22.0, paper.ink))
    scene.add(title_over(PILES, say("fleet.piles"), "", paper), _piles(fleet, paper, limit_percent))
    scene.add(title_over(COUNTS, say("fleet.counts"), "", paper), _counts(fleet, paper))
    scene.add(title_over(WORST, say("fleet.worst"), "", paper), _worst(fleet, paper, limit_percent))
    scene.add(Words(MARGIN, 942.0, measures.fit(say("blind.all_equal"), 17.0, WIDTH - 2 * MARGIN), 17.0, paper.faint))
    return scene


def _piles(fleet: FleetData, paper: Paper, limit_percent: float) -> list[Item]:
    plot = PILES.inset(left=70.0, top=30.0, right=30.0, bottom=44.0)
    most = max(1, *fleet.bins)
    wide = plot.width / BINS
    items: list[Item] = [Panel(PILES, fill=paper.card, stroke=paper.rule)]
    for level in measures.ticks(0.0, float(most), 4):
        y = plot.bottom - plot.height * level / most
        if level != int(level):
            continue
        items += [Rule(plot.left, y, plot.right, y, paper.rule, look.HAIR),
                  Words(plot.left - 10.0, y + 5.0, f"{level:.0f}", 15.0, paper.faint, anchor="end")]
    for k, count in enumerate(fleet.bins):
        low = (k + 0.5) * BIN_PERCENT < limit_percent
        tall = plot.height * count / most
        box = Box(plot.left + k * wide + 3.0, plot.bottom - tall, wide - 6.0, tall)
        if count:
            colour = paper.vermilion if low else paper.ink
            items += [Panel(box, fill=paper.blush if low else paper.wash, stroke=colour, width=look.FINE,
                            hatch=paper.vermilion if low else None),
                      Words(box.left + box.width / 2, box.top - 7.0, str(count), 15.0, colour, anchor="middle")]
    for percent in range(0, 101, 10):
        x = plot.left + percent / BIN_PERCENT * wide
        items.append(Words(x, plot.bottom + 22.0, f"{percent} %", 15.0, paper.faint, anchor="middle"))
    x = plot.left + limit_percent / BIN_PERCENT * wide
    items += [Rule(x, plot.top - 18.0, x, plot.bottom, paper.vermilion, look.FINE, dash=(6.0, 4.0)),
              Words(x - 8.0, plot.top - 6.0, say("state.low"), 16.0, paper.vermilion, anchor="end")]
    return items


def _counts(fleet: FleetData, paper: Paper) -> list[Item]:
    count = fleet.tally
    lines = [(say("fleet.even"), count.even, False), (say("fleet.uneven"), count.uneven, True),
             *(((say("fleet.limit"), count.limit, False),) if count.limit else ()),
             (say("fleet.none"), count.none, False),
             *((f"    {reason}", number, False) for reason, number in fleet.reasons[:REASONS_SHOWN]),
             (say("fleet.unread"), count.unread, False)]
    items: list[Item] = [Panel(COUNTS, fill=paper.card, stroke=paper.rule)]
    room = COUNTS.width - 300.0
    for k, (text, number, down) in enumerate(lines):
        y = COUNTS.top + 20.0 + k * ROW
        long = room * number / max(1, count.total)
        colour = paper.vermilion if down else paper.ink
        items.append(Words(COUNTS.left + 20.0, y + 20.0, measures.fit(text, 18.0, 180.0), 18.0, colour))
        if number:
            items.append(Panel(Box(COUNTS.left + 210.0, y + 4.0, long, 20.0), fill=paper.blush if down else paper.wash,
                               stroke=colour, hatch=paper.vermilion if down else None))
        items.append(Words(COUNTS.left + 220.0 + long, y + 20.0, str(number), 18.0, colour))
    return items


def _worst(fleet: FleetData, paper: Paper, limit_percent: float) -> list[Item]:
    items: list[Item] = [Panel(WORST, fill=paper.card, stroke=paper.rule)]
    for k, worst in enumerate(fleet.worst):
        items += _worst_line(worst, WORST.top + 16.0 + k * ROW, paper, limit_percent)
    return items


def _worst_line(worst: Worst, y: float, paper: Paper, limit_percent: float) -> list[Item]:
    """Return a capture's line: percent with its interval on a short rule, headline, file."""
    low = worst.percent < limit_percent
    colour = paper.vermilion if low else paper.ink
    left, wide = WORST.left + 20.0, 150.0
    ends = (worst.percent, worst.low_percent, worst.high_percent)
    at, first, last = (left + wide * min(1.0, percent / 100.0) for percent in ends)
    name = worst.file if measures.width_of(worst.file, 15.0) <= 320.0 else "..." + worst.file[-36:]
    return [
        Rule(left, y + 14.0, left + wide, y + 14.0, paper.rule, look.HAIR),
        Rule(first, y + 14.0, last, y + 14.0, colour, look.BOLD),
        Panel(Box(at - 3.0, y + 6.0, 6.0, 16.0), fill=colour),
        Words(left + wide + 14.0, y + 20.0, measures.fit(worst.headline, 18.0, 400.0), 18.0, colour),
        Words(WORST.right - 20.0, y + 20.0, measures.fit(name, 15.0, 330.0), 15.0, paper.faint, anchor="end")]
