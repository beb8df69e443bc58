"""The tree of what to do next as a picture: findings at the left, the test each leads to, what its outcomes mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.scene import Box, Item, Panel, Rule, Scene, Words
from crankfold.viewer.words import first_test, reachable, said_for, say, say_count, tree, tree_test

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.viewer.picture.look import Paper
    from crankfold.viewer.words import Kind

WIDTH, MARGIN, TOP = 1900.0, 36.0, 120.0
COLUMNS = (Box(MARGIN, TOP, 330.0, 0.0), Box(470.0, TOP, 660.0, 0.0), Box(1220.0, TOP, 644.0, 0.0))
DOT = 6.0
GAP = 20.0  # between cards of a column
PAD = 14.0
TITLE, TEXT, LESSER = 21.0, 15.5, 14.0
LEADING = 1.32
MOST_LINES = 4
ABOUT_SEVERAL = ("neighbour", "bank-timing")  # tests of several cylinders at once


@dataclass(frozen=True)
class Line:
    """A line of a card: its text and size, whether it is the title, the test it leads to, and if it starts there."""

    text: str
    size: float
    title: bool = False
    then: str = ""
    starts: bool = True


@dataclass(frozen=True)
class Card:
    """A card in its place."""

    name: str
    box: Box
    lines: tuple[Line, ...]


def tree_picture(kind: Kind, paper: Paper = look.LIGHT) -> Scene:
    """Return the tree for a kind of engine as a scene."""
    starts = {finding: first_test(finding, kind) for finding in tree()["finding"]}
    first = list(dict.fromkeys(starts.values()))
    later = [name for name in reachable(first, kind) if name not in first]
    tests = {c.name: c for box, names in ((COLUMNS[1], first), (COLUMNS[2], later))
             for c in _column([_card_of(name, kind, box.width) for name in names], box)}
    order = sorted(starts, key=lambda finding: tests[starts[finding]].box.top)
    findings = _column([(f, _finding_lines(f)) for f in order], COLUMNS[0])
    height = max(c.box.bottom for c in (*tests.values(), *findings)) + 60.0
    scene = Scene(WIDTH, height, paper.paper, title=say("tree.title"))
    scene.add(Words(MARGIN, 62.0, say(f"tree.kind_{kind or 'petrol'}"), 40.0, paper.ink, face="serif"))
    scene.add(Words(MARGIN, 96.0, say("tree.how"), 18.0, paper.faint))
    for finding in findings:
        scene.add(_join(finding.box.right, _middle(finding), tests[starts[finding.name]], paper))
    for test in tests.values():
        scene.add(_links(test, tests, paper))
    for card in (*findings, *tests.values()):
        scene.add(_drawn(card, paper, finding=card in findings))
    scene.add(Words(MARGIN, height - 24.0, say("tree.foot"), 15.0, paper.faint))
    return scene


def _finding_lines(finding: str) -> tuple[Line, ...]:
    return tuple(Line(text, 18.0, title=True) for text in measures.wrap(
        say(f"finding.{finding}"), 18.0, COLUMNS[0].width - 2 * PAD, MOST_LINES, "serif"))


def _card_of(name: str, kind: Kind, width: float) -> tuple[str, tuple[Line, ...]]:
    test, room = tree_test(name, kind), width - 2 * PAD
    lines = [Line(said_for(kind, f"test.{name}.title"), TITLE, title=True)]
    does = said_for(kind, f"test.{name}.do", which=say_count("which.unnamed", 2 if name in ABOUT_SEVERAL else 1))
    lines += [Line(text, TEXT) for text in measures.wrap(does, TEXT, room, MOST_LINES)]
    for outcome in test.outcomes:
        text = said_for(kind, f"test.{name}.{outcome.name}")
        then = say("tree.then", title=said_for(kind, f"test.{outcome.then}.title")) if outcome.then else ""
        broken = measures.wrap(f"- {text} {then}".rstrip(), LESSER, room, MOST_LINES)
        lines += [Line(part, LESSER, then=outcome.then, starts=k == 0) for k, part in enumerate(broken)]
    return name, tuple(lines)


def _column(cards: Sequence[tuple[str, tuple[Line, ...]]], where: Box) -> list[Card]:
    placed: list[Card] = []
    top = where.top
    for name, lines in cards:
        tall = sum(line.size * LEADING for line in lines) + 2 * PAD
        placed.append(Card(name, Box(where.left, top, where.width, tall), lines))
        top += tall + GAP
    return placed


def _middle(card: Card) -> float:
    return card.box.top + card.box.height / 2.0


def _links(card: Card, tests: dict[str, Card], paper: Paper) -> list[Item]:
    """Return lines from outcomes to the tests that follow in a column further right; the others are named only."""
    items: list[Item] = []
    y = card.box.top + PAD
    for line in card.lines:
        y += line.size * LEADING
        if line.then and line.starts and tests[line.then].box.left > card.box.right:
            items += _join(card.box.right, y - line.size * 0.4, tests[line.then], paper)
    return items


def _join(x: float, y: float, card: Card, paper: Paper) -> list[Item]:
    to_x, to_y = card.box.left, card.box.top + PAD + TITLE * 0.6
    dot = Panel(Box(to_x - DOT, to_y - DOT / 2.0, DOT, DOT), fill=paper.slate)
    return [Rule(x, y, to_x, to_y, paper.slate, look.FINE), dot]


def _drawn(card: Card, paper: Paper, *, finding: bool) -> list[Item]:
    items: list[Item] = [Panel(card.box, fill=paper.wash if finding else paper.card, stroke=paper.rule, radius=4.0)]
    y = card.box.top + PAD
    for line in card.lines:
        y += line.size * LEADING
        colour = paper.ink if line.title or line.size == TEXT else paper.slate if line.then else paper.faint
        items.append(Words(card.box.left + PAD, y - line.size * 0.25, line.text, line.size, colour,
                           face="serif" if line.title else "sans"))
    return items
