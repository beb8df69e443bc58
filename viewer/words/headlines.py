"""The one short sentence that says the verdict, exact also where findings are mixed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from crankfold.viewer.words.catalogue import has, placeholders, say, say_count

if TYPE_CHECKING:
    from crankfold.analysis import Cylinder, Result


def headline(result: Result) -> str:
    """Return the one short sentence that says the verdict."""
    if result.verdict == "none":
        return _without_verdict(result)
    down = low_ones(result)
    if down:
        return _down(down, len(result.cylinders))
    if result.verdict == "limit":
        return say("headline.one", first=_at_the_limit(result))
    plug_out = cylinder_without_plug(result)
    if plug_out is not None:
        return say("headline.plug_out", cylinder=plug_out)
    watched = [c for c in result.cylinders if c.state in ("watch", "limit")]
    if watched:
        return say("headline.even_watch", names=tuple(name_of(c) for c in watched))
    if len(result.cylinders) == 2:
        return say("headline.even_two")
    return say("headline.even", count=len(result.cylinders))


def _without_verdict(result: Result) -> str:
    if not result.reasons:
        return say("headline.none.other")
    deciding = result.reasons[0]
    key = f"headline.none.{deciding.code}"
    if not has(key) or not placeholders(key) <= deciding.facts.keys():
        return say("headline.none.other")
    return say(key, **deciding.facts)


def low_ones(result: Result) -> list[Cylinder]:
    """Return the cylinders that are low or dead, but not the one whose plug was taken out on purpose."""
    out = cylinder_without_plug(result)
    return [c for c in result.cylinders if c.state in ("low", "dead") and (out is None or c.cylinder != out)]


def cylinder_without_plug(result: Result) -> int | None:
    """Return the number of the cylinder whose plug was taken out to count from, None if none was."""
    return result.sync.cylinder if result.sync is not None and result.sync.kind == "plug-out" else None


def _down(down: Sequence[Cylinder], of: int) -> str:
    dead, low = ([c for c in down if c.state == state] for state in ("dead", "low"))
    if not dead or not low:
        return say("headline.one", first=_clause("dead" if dead else "low", dead or low, of))
    return say("headline.two", first=_clause("dead", dead, of), second=_clause("then_low", low, of))


def _clause(kind: str, cylinders: Sequence[Cylinder], of: int) -> str:
    """Return what is said of cylinders in one state, by their numbers where each has one."""
    ordered = sorted(cylinders, key=lambda c: c.cylinder or 0)
    named = all(c.cylinder is not None for c in ordered)
    return say_count(f"down.{kind}_{'named' if named else 'unnamed'}", len(ordered), of=of,
                     cylinders=tuple(c.cylinder for c in ordered),
                     percents=tuple(say("down.percent", relative_percent=c.relative_percent) for c in ordered))


def _at_the_limit(result: Result) -> str:
    near = [c for c in result.cylinders if c.state == "limit"] or [min(result.cylinders,
                                                                       key=lambda c: c.interval_percent[0])]
    if len(near) > 1:
        return _clause("limit", near, len(result.cylinders))
    low, high = near[0].interval_percent
    key = "down.limit_one" if near[0].cylinder is not None else "down.limit_one_unnamed"
    return say(key, cylinder=near[0].cylinder, relative_percent=near[0].relative_percent, low_percent=low,
               high_percent=high)


def name_of(cylinder: Cylinder) -> str:
    """Return ``cylinder 3``, or its place in the firing order where it has no number."""
    if cylinder.cylinder is None:
        return say("name.position", position=cylinder.position)
    return say("name.cylinder", cylinder=cylinder.cylinder)


def short_name(cylinder: Cylinder) -> str:
    """Return ``3``, or ``#3`` for the third of the firing order where it has no number."""
    return str(cylinder.cylinder) if cylinder.cylinder is not None else say("name.short", position=cylinder.position)
