"""The picture of a comparison with gauge readings: differences, result against gauge, shares, wrong ones by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from crankfold.viewer.picture import look, measures
from crankfold.viewer.picture.page import MARGIN, WIDTH, title_over
from crankfold.viewer.picture.scene import Box, Item, Panel, Path, Ring, Rule, Scene, Words
from crankfold.viewer.words import plain_sentence, say, validation_headline

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Pair, Proportion, Validation
    from crankfold.viewer.picture.look import Paper

Values = TypeVar("Values", float, "NDArray[np.float64]")

HEIGHT = 1040.0
DIFFERENCES = Box(MARGIN, 186.0, 900.0, 420.0)
GAUGE = Box(MARGIN + 932.0, 186.0, WIDTH - 2 * MARGIN - 932.0, 420.0)
SHARES = Box(MARGIN, 668.0, 900.0, 320.0)
WRONG = Box(MARGIN + 932.0, 668.0, WIDTH - 2 * MARGIN - 932.0, 320.0)
TYPE = 15.0
LEAST_REACH = 5.0  # points that the scale of differences shows on either side, at least
TOP_PERCENT = 105.0
DOT = 3.2
NAMES_SHOWN = 10


def validation_picture(found: Validation, *, limit_percent: float = 75.0, paper: Paper = look.LIGHT) -> Scene:
    """Return the picture of a comparison.

    Parameters
    ----------
    limit_percent
        Below it a cylinder is low.
    """
    text = validation_headline(found)
    scene = Scene(WIDTH, HEIGHT, paper.paper, title=text, description=plain_sentence(found.verdicts))
    size = measures.size_to_fit(text, 50.0, 26.0, WIDTH - 2 * MARGIN, "serif")
    scene.add(Words(MARGIN, 78.0, text, size, paper.vermilion if found.wrong else paper.ink, face="serif"))
    scene.add(Words(MARGIN, 122.0, measures.fit(plain_sentence(found.verdicts), 21.0, WIDTH - 2 * MARGIN), 21.0,
                    paper.ink))
    scene.add(title_over(DIFFERENCES, say("validate.label.differences"), "", paper), _differences(found, paper))
    scene.add(title_over(GAUGE, say("validate.label.gauge"), "", paper), _against(found, limit_percent, paper))
    scene.add(title_over(SHARES, say("validate.label.shares"), "", paper), _shares(found, paper))
    scene.add(title_over(WRONG, say("validate.label.wrong"), "", paper), _wrong(found, paper))
    scene.add(Words(MARGIN, HEIGHT - 20.0, measures.fit(say("validate.label.foot"), 16.0, WIDTH - 2 * MARGIN), 16.0,
                    paper.faint))
    return scene


def _dots(pairs: Sequence[Pair], wrong: frozenset[str], place: NDArray[np.float64], paper: Paper) -> list[Item]:
    """Return a dot a pair; those of wrong engines filled and on top."""
    plain = [Ring(x, y, DOT, stroke=paper.ink, width=0.7) for p, (x, y) in zip(pairs, place, strict=True)
             if p.case not in wrong]
    marked = [Ring(x, y, DOT + 1.6, stroke=paper.vermilion, width=look.FINE, fill=paper.vermilion)
              for p, (x, y) in zip(pairs, place, strict=True) if p.case in wrong]
    return [*plain, *marked]


def _differences(found: Validation, paper: Paper) -> list[Item]:
    plot = DIFFERENCES.inset(left=66.0, top=24.0, right=150.0, bottom=52.0)
    items: list[Item] = [Panel(DIFFERENCES, fill=paper.card, stroke=paper.rule)]
    gap = np.array([p.difference for p in found.pairs])
    reach = max(LEAST_REACH, float(np.abs(gap).max(initial=0.0)) * 1.08)
    for level in measures.ticks(-reach, reach, 8):
        y = _y(plot, level, -reach, reach)
        items += [Rule(plot.left, y, plot.right, y, paper.rule, look.HAIR),
                  Words(plot.left - 10.0, y + 5.0, _signed(level), TYPE, paper.faint, anchor="end")]
    items += _percents(plot, paper)
    if found.agreement is not None:
        a = found.agreement
        for value, name, dash in ((a.bias, "bias", ()), (a.limits[0], "low", (7.0, 4.0)),
                                  (a.limits[1], "high", (7.0, 4.0))):
            y = _y(plot, value, -reach, reach)
            items += [Rule(plot.left, y, plot.right, y, paper.slate, look.FINE, dash=dash),
                      Words(plot.right + 10.0, y + 5.0, say(f"validate.label.{name}", points=_signed(value, 1)), TYPE,
                            paper.slate)]
    middle = np.array([(p.percent + p.gauge_percent) / 2.0 for p in found.pairs])
    place = np.column_stack((_x(plot, middle), _y(plot, gap, -reach, reach)))
    items += _dots(found.pairs, frozenset(found.wrong), place, paper)
    items.append(Words(plot.left + plot.width / 2, DIFFERENCES.bottom - 10.0, say("validate.label.mean"), TYPE,
                       paper.faint, anchor="middle"))
    return items


def _against(found: Validation, limit: float, paper: Paper) -> list[Item]:
    plot = GAUGE.inset(left=66.0, top=24.0, right=24.0, bottom=52.0)
    items: list[Item] = [Panel(GAUGE, fill=paper.card, stroke=paper.rule), *_percents(plot, paper)]
    for percent in range(0, 101, 20):
        y = _y(plot, float(percent), 0.0, TOP_PERCENT)
        items += [Rule(plot.left, y, plot.right, y, paper.rule, look.HAIR),
                  Words(plot.left - 10.0, y + 5.0, str(percent), TYPE, paper.faint, anchor="end")]
    low = _x(plot, limit), _y(plot, limit, 0.0, TOP_PERCENT)
    items += [Rule(low[0], plot.top, low[0], plot.bottom, paper.vermilion, look.HAIR, dash=(6.0, 4.0)),
              Rule(plot.left, low[1], plot.right, low[1], paper.vermilion, look.HAIR, dash=(6.0, 4.0))]
    ends = np.array([0.0, 100.0])
    items.append(Path(np.column_stack((_x(plot, ends), _y(plot, ends, 0.0, TOP_PERCENT))), stroke=paper.faint))
    if found.line is not None:
        at = np.array([max(0.0, min(p.gauge_percent for p in found.pairs)), 100.0])
        fitted = np.clip(found.line.intercept + found.line.slope * at, 0.0, TOP_PERCENT)
        items.append(Path(np.column_stack((_x(plot, at), _y(plot, fitted, 0.0, TOP_PERCENT))), stroke=paper.slate,
                          width=look.FINE, dash=(7.0, 4.0)))
    gauge = np.array([p.gauge_percent for p in found.pairs])
    own = np.array([p.percent for p in found.pairs])
    place = np.column_stack((_x(plot, gauge), _y(plot, own, 0.0, TOP_PERCENT)))
    items += _dots(found.pairs, frozenset(found.wrong), place, paper)
    items.append(Words(plot.left + plot.width / 2, GAUGE.bottom - 10.0, say("validate.label.of_gauge"), TYPE,
                       paper.faint, anchor="middle"))
    return items


def _percents(plot: Box, paper: Paper) -> list[Item]:
    return [Words(_x(plot, float(p)), plot.bottom + 20.0, f"{p} %", TYPE, paper.faint, anchor="middle")
            for p in range(0, 101, 20)]


def _x(plot: Box, percent: Values) -> Values:
    return plot.left + plot.width * percent / TOP_PERCENT


def _y(plot: Box, value: Values, low: float, high: float) -> Values:
    return plot.bottom - plot.height * (value - low) / (high - low)


def _signed(value: float, digits: int = 0) -> str:
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0.0 else text


def _shares(found: Validation, paper: Paper) -> list[Item]:
    items: list[Item] = [Panel(SHARES, fill=paper.card, stroke=paper.rule)]
    for k, name in enumerate(("right", "sensitivity", "specificity", "inside", "compatible")):
        p = _right(found) if name == "right" else getattr(found, name)
        items += _share(say(f"validate.label.{name}"), p, SHARES.top + 22.0 + 58.0 * k, paper)
    return items


def _right(found: Validation) -> Proportion:
    from crankfold.analysis import right_share

    return right_share(found.verdicts)


def _share(text: str, p: Proportion, y: float, paper: Paper) -> list[Item]:
    """Return a share on a rule from 0 to 100 %: what was found, between its limits."""
    left, wide = SHARES.left + 330.0, 400.0
    items: list[Item] = [Words(SHARES.left + 20.0, y + 20.0, measures.fit(text, 18.0, 300.0), 18.0, paper.ink),
                         Rule(left, y + 14.0, left + wide, y + 14.0, paper.rule, look.HAIR)]
    if p.share is None:
        return [*items, Words(left + wide + 14.0, y + 20.0, say("validate.label.none"), 18.0, paper.faint)]
    low, high, at = (left + wide * share for share in (p.low, p.high, p.share))
    return [*items, Rule(low, y + 14.0, high, y + 14.0, paper.ink, look.BOLD),
            Panel(Box(at - 3.0, y + 5.0, 6.0, 18.0), fill=paper.ink),
            Words(left + wide + 14.0, y + 20.0, say("validate.label.of", found=p.found, of=p.of), 18.0, paper.ink),
            Words(left, y + 36.0, "0", 13.0, paper.faint), Words(left + wide, y + 36.0, "100 %", 13.0, paper.faint,
                                                                anchor="end")]


def _wrong(found: Validation, paper: Paper) -> list[Item]:
    items: list[Item] = [Panel(WRONG, fill=paper.card, stroke=paper.rule)]
    for k, (said, colour) in enumerate(_named(found, paper)[:NAMES_SHOWN]):
        items.append(Words(WRONG.left + 20.0, WRONG.top + 36.0 + 28.0 * k, measures.fit(said, 17.0, WRONG.width - 40.0),
                           17.0, colour))
    return items


def _named(found: Validation, paper: Paper) -> list[tuple[str, str]]:
    """Return a line an engine with its colour: the wrong ones, then the rest by their largest difference."""
    worst: dict[str, Pair] = {}
    for pair in sorted(found.pairs, key=lambda p: abs(p.difference)):
        worst[pair.case] = pair
    rest = sorted((name for name in worst if name not in found.wrong), key=lambda name: -abs(worst[name].difference))
    return [(_line(name, worst.get(name)), paper.vermilion if name in found.wrong else paper.ink)
            for name in (*found.wrong, *rest)]


def _line(name: str, pair: Pair | None) -> str:
    if pair is None:
        return name
    return say("validate.label.wrong_line", name=name, cylinder=pair.cylinder, gauge_percent=pair.gauge_percent,
               relative_percent=pair.percent)
