"""An answer in plain sentences: the headline, what was found, how sure, what next, and what the test cannot see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.words.catalogue import has, placeholders, say

if TYPE_CHECKING:
    from crankfold.analysis import Cylinder, Health, Notice, Result

SAG_SAID_PERCENT = 2.0  # a fitted sag below it may be nothing
DIESEL = "diesel"
SAFETY = ("moving", "ignition", "battery", "limit", "law")
"""Keys of the cautions said before anybody cranks."""


@dataclass(frozen=True)
class Answer:
    """Everything said about one result, each a finished sentence.

    Parameters
    ----------
    headline
        One short sentence, to be read from three metres away.
    found, sure, next, blind
        What was found, how sure it is, what to do next, what this test cannot see.
    reasons, cautions, notes
        Why there is no verdict, deciding one first; what to mind; what else is worth saying.
    """

    headline: str
    found: tuple[str, ...]
    sure: tuple[str, ...]
    next: tuple[str, ...]
    blind: tuple[str, ...]
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


def answer(result: Result) -> Answer:
    """Return the sentences of a result."""
    judged, fuel = result.verdict != "none", result.engine.fuel
    return Answer(
        headline=headline(result),
        found=(*_cranking(result), *(cylinder_line(c) for c in result.cylinders)),
        sure=_sure(result) if judged else (),
        next=next_steps(result) if judged else (),
        blind=(say("blind.all_equal"), say_for(fuel, "blind.other")) if judged else (),
        reasons=tuple(notice_text("reason", n, fuel) for n in result.reasons),
        cautions=tuple(notice_text("caution", n, fuel) for n in result.cautions),
        notes=tuple(notice_text("note", n) for n in result.notes),
    )


def safety(fuel: str = "") -> tuple[str, ...]:
    """Return the cautions said before anybody cranks an engine of that fuel."""
    return tuple(say_for(fuel, f"safety.{key}") for key in SAFETY)


def say_for(fuel: str, key: str, **facts: object) -> str:
    """Return a sentence in the form for engines of that fuel: a diesel has no plugs, coils or sparks to talk of."""
    own = f"{key}_{fuel}"
    return say(own if fuel == DIESEL and has(own) else key, **facts)


def headline(result: Result) -> str:
    """Return the one short sentence that says the verdict."""
    if result.verdict == "none":
        code = result.reasons[0].code if result.reasons else "other"
        return say(f"headline.none.{code}" if has(f"headline.none.{code}") else "headline.none.other")
    down = low_ones(result)
    if not down and _plug_out(result) is not None:
        return say("headline.plug_out", cylinder=_plug_out(result))
    if not down:
        watched = [c for c in result.cylinders if c.state == "watch"]
        if watched:
            return say("headline.even_watch", names=tuple(name_of(c) for c in watched))
        return say("headline.even_two") if len(result.cylinders) == 2 else say("headline.even",
                                                                               count=len(result.cylinders))
    if len(down) == 1:
        return _one_down(down[0])
    if len(down) > len(result.cylinders) // 2 or any(c.cylinder is None for c in down):
        return say("headline.some_low", count=len(down), of=len(result.cylinders))
    states = "dead" if all(c.state == "dead" for c in down) else "low"
    return say(f"headline.many_{states}", cylinders=tuple(sorted(c.cylinder or 0 for c in down)))


def low_ones(result: Result) -> list[Cylinder]:
    """Return the cylinders that are low or dead, but not the one whose plug was taken out on purpose."""
    out = _plug_out(result)
    return [c for c in result.cylinders if c.state in ("low", "dead") and (out is None or c.cylinder != out)]


def _plug_out(result: Result) -> int | None:
    return result.sync.cylinder if result.sync is not None and result.sync.kind == "plug-out" else None


def _one_down(cylinder: Cylinder) -> str:
    if cylinder.cylinder is None:
        return say(f"headline.{cylinder.state}_unnamed", relative_percent=cylinder.relative_percent)
    return say(f"headline.{cylinder.state}_named", cylinder=cylinder.cylinder,
               relative_percent=cylinder.relative_percent)


def name_of(cylinder: Cylinder) -> str:
    """Return ``cylinder 3``, or its place in the firing order where it has no number."""
    if cylinder.cylinder is None:
        return say("name.position", position=cylinder.position)
    return say("name.cylinder", cylinder=cylinder.cylinder)


def short_name(cylinder: Cylinder) -> str:
    """Return ``3``, or ``#3`` for the third of the firing order where it has no number."""
    return str(cylinder.cylinder) if cylinder.cylinder is not None else say("name.short", position=cylinder.position)


def cylinder_line(cylinder: Cylinder) -> str:
    """Return one cylinder's answer as a line."""
    facts: dict[str, object] = {
        "name": name_of(cylinder), "relative_percent": cylinder.relative_percent,
        "low_percent": cylinder.interval_percent[0], "high_percent": cylinder.interval_percent[1],
        "state": say(f"state.{cylinder.state}"),
    }
    if cylinder.pressure_bar is None or cylinder.pressure_interval_bar is None:
        return say("found.row", **facts)
    low, high = cylinder.pressure_interval_bar
    return say("found.row_pressure", **facts, pressure_bar=cylinder.pressure_bar, low_bar=low, high_bar=high)


def _cranking(result: Result) -> list[str]:
    cranking = result.cranking
    if cranking is None:
        return []
    length_s = cranking.end_s - cranking.onset_s
    lines = [say("found.cranking", length_s=length_s, rpm=cranking.rpm, cycles=cranking.cycles)
             if cranking.rpm > 0 else say("found.only_cranking", length_s=length_s)]
    if cranking.inrush_a is not None and cranking.mean_a is not None:
        lines.append(say("found.current", inrush_a=cranking.inrush_a, mean_a=cranking.mean_a))
    health = result.health
    if health is not None and health.sag_percent is not None and health.sag_percent >= SAG_SAID_PERCENT:
        lines.append(say("found.sag", sag_percent=health.sag_percent))
    if health is not None and health.battery_ohm is not None and health.starter_ohm is not None:
        lines.append(_resistances(health))
    elif health is not None and health.resistance_ohm is not None and health.voltage_v is not None:
        lines.append(say("found.resistance", resistance_mohm=1000.0 * health.resistance_ohm,
                         voltage_v=health.voltage_v))
    if health is not None and health.rest_v is not None:
        lines.append(say("found.volts", rest_v=health.rest_v, cranking_v=health.cranking_v, lowest_v=health.lowest_v))
    return lines


def _resistances(health: Health) -> str:
    """Return battery, cable and starter told apart, as far as the voltages that were measured allow it."""
    ohms = {name: 1000.0 * value for name in ("battery", "cable", "starter")
            if (value := getattr(health, f"{name}_ohm")) is not None}
    key = "found.battery_cable" if "cable" in ohms else "found.battery"
    return say(key, **{f"{name}_mohm": value for name, value in ohms.items()})


def _sure(result: Result) -> tuple[str, ...]:
    lines = [say("sure.interval")]
    named = all(c.cylinder is not None for c in result.cylinders)
    if result.sync is not None and result.sync.kind == "plug-out":
        lines.append(say("sure.plug_out", cylinder=result.sync.cylinder))
    elif result.sync is not None:
        lines.append(say("sure.marks", events=result.sync.events, cylinder=result.sync.cylinder,
                         confidence_percent=min(99.0, 100.0 * result.sync.confidence)))
    else:
        lines.append(say("sure.by_pattern" if named else "sure.unnamed"))
    return tuple(lines)


def next_steps(result: Result) -> tuple[str, ...]:
    """Return what to do next: by the pattern of the low cylinders, and how to name them where they have no number."""
    fuel = result.engine.fuel
    if result.verdict == "even":
        watched = any(c.state == "watch" for c in result.cylinders)
        return (say_for(fuel, "next.even_watch" if watched else "next.even"),)
    lines = []
    if result.pattern is not None:
        lines.append(notice_text("pattern", result.pattern, fuel))
    if _plug_out(result) is not None:
        lines.append(say("next.plug_out", cylinder=_plug_out(result)))
    if any(c.cylinder is None for c in result.cylinders):
        lines.append(say_for(fuel, "next.to_name"))
    return (*lines, say("next.repeat"))


def notice_text(family: str, notice: Notice, fuel: str = "") -> str:
    """Return the sentence of a reason, caution, note or pattern: the most particular one that its facts can fill."""
    base = f"{family}.{notice.code}"
    facts: dict[str, object] = dict(notice.facts)
    for key in (*_variants(base, facts), base, f"{base}.other"):
        if has(key) and placeholders(key) <= facts.keys():
            return say_for(fuel, key, **facts)
    return say(f"{family}.other", **({"code": notice.code} if placeholders(f"{family}.other") else {}))


def _variants(base: str, facts: dict[str, object]) -> list[str]:
    keys = [f"{base}.{facts['why']}"] if "why" in facts else []
    if isinstance(facts.get("cylinders"), tuple):
        keys.append(f"{base}.{'named' if facts['cylinders'] else 'unnamed'}")
    return keys
