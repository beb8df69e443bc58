"""An answer in plain sentences: the headline, what was found, how sure, what next, and what the test cannot see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.words.catalogue import has, placeholders, say
from crankfold.viewer.words.headlines import cylinder_without_plug, headline, name_of, short_name
from crankfold.viewer.words.next_steps import kind_of, steps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Cylinder, Health, Notice, Result

SAG_SAID_PERCENT = 2.0  # a fitted sag below it may be nothing
RULE_PERCENT = 75.0  # the trade's limit, lowest of highest, and a gauge's
SAFETY = ("moving", "ignition", "battery", "limit", "law")
"""Keys of the cautions said before anybody cranks."""
CLIPPED, SPEED_DOUBTFUL = ("clipped",), ("hump-count", "not-explained")
"""Reasons for no verdict after which the current's figures, or the speed that was made of it, mean nothing."""
OF_CYLINDERS = {"near-limit", "few-cycles", "two-cylinders", "code-contradicts"}
OF_CURRENT, OF_SPEED = {"inrush-clipped", "some-clipped"}, {"slow-cranking", "fast-smooth"}
"""Cautions about cylinders, current and speed: said only where those are known."""


@dataclass(frozen=True)
class Answer:
    """Everything said about one result, each a finished sentence.

    Parameters
    ----------
    headline
        One short sentence, to be read from three metres away.
    cranking, cylinders, sure, next, blind
        What was found of the cranking and of each cylinder, how sure it is, what to do next, what this test cannot see.
    reasons, cautions, notes
        Why there is no verdict, deciding one first; what to mind; what else is worth saying.
    """

    headline: str
    cranking: tuple[str, ...]
    cylinders: tuple[str, ...]
    sure: tuple[str, ...]
    next: tuple[str, ...]
    blind: tuple[str, ...]
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def found(self) -> tuple[str, ...]:
        """What was found, of the cranking and of each cylinder."""
        return (*self.cranking, *self.cylinders)


def answer(result: Result) -> Answer:
    """Return the sentences of a result."""
    judged, fuel, unsaid = result.verdict != "none", kind_of(result.engine), _unsaid(result)
    return Answer(
        headline=headline(result),
        cranking=tuple(_cranking(result)), cylinders=tuple(cylinder_line(c) for c in result.cylinders),
        sure=_sure(result) if judged else (),
        next=next_steps(result),
        blind=(say("blind.all_equal"), say_for(fuel, "blind.other")) if judged else (),
        reasons=tuple(notice_text("reason", n, fuel) for n in result.reasons),
        cautions=tuple(notice_text("caution", n, fuel) for n in result.cautions if n.code not in unsaid),
        notes=tuple(notice_text("note", n) for n in result.notes),
    )


def _refused_for(result: Result, codes: Sequence[str]) -> bool:
    return any(reason.code in codes for reason in result.reasons)


def _unsaid(result: Result) -> set[str]:
    """Return the codes of cautions that would speak of what a refused result doesn't know."""
    return ((OF_CYLINDERS if result.verdict == "none" else set())
            | (OF_CURRENT if _refused_for(result, CLIPPED) else set())
            | (OF_SPEED if _refused_for(result, SPEED_DOUBTFUL) else set()))


def safety(fuel: str = "") -> tuple[str, ...]:
    """Return the cautions said before anybody cranks an engine of that fuel."""
    return tuple(say_for(fuel, f"safety.{key}") for key in SAFETY)


def say_for(kind: str, key: str, /, **facts: object) -> str:
    """Return a sentence in the form for a kind of engine, a fuel or ``two-stroke``, where it has one of its own.

    A diesel has no plugs, coils or sparks to talk of, a two-stroke no valves and no camshaft.
    """
    own = f"{key}_{kind}"
    return say(own if kind and has(own) else key, **facts)


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


def cylinder_headings(result: Result) -> list[str]:
    """Return the headings of the columns that `cylinder_cells` fills."""
    names = ["cylinder", "percent", "range", "state"]
    if any(c.pressure_bar is not None for c in result.cylinders):
        names.insert(3, "pressure")
    if _gauge_percents(result):
        names.insert(3, "gauge")
    return [say(f"found.head_{name}") for name in names]


def cylinder_cells(cylinder: Cylinder, result: Result) -> list[str]:
    """Return one cylinder's answer as the cells of a table, the pressure where any cylinder of the result has one."""
    low, high = cylinder.interval_percent
    cells = [short_name(cylinder), say("found.percent", relative_percent=cylinder.relative_percent),
             say("found.range", low_percent=low, high_percent=high), say(f"state.{cylinder.state}")]
    if any(c.pressure_bar is not None for c in result.cylinders):
        known = cylinder.pressure_bar is not None
        cells.insert(3, say("found.pressure", pressure_bar=cylinder.pressure_bar) if known else "")
    gauge = _gauge_percents(result)
    if gauge:
        cells.insert(3, say("found.percent", relative_percent=gauge[cylinder.position - 1]))
    return cells


def _gauge_percents(result: Result) -> tuple[float, ...]:
    """Return what a gauge would read of each cylinder, nothing where all are good and it would say the same."""
    from crankfold.analysis import at_gauge_speed

    if all(c.state in ("good", "dead") for c in result.cylinders):
        return ()
    found = at_gauge_speed(result, RULE_PERCENT)
    return () if found is None else found.percent


def _cranking(result: Result) -> list[str]:
    cranking = result.cranking
    if cranking is None:
        return []
    length_s = cranking.end_s - cranking.onset_s
    known = cranking.rpm > 0 and not _refused_for(result, SPEED_DOUBTFUL)
    lines = [say("found.cranking", length_s=length_s, rpm=cranking.rpm, cycles=cranking.cycles) if known else
             say("found.only_cranking", length_s=length_s)]
    if cranking.inrush_a is not None and cranking.mean_a is not None and not _refused_for(result, CLIPPED):
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
    lines = [say("sure.interval"), *_on_a_gauge(result)]
    named = all(c.cylinder is not None for c in result.cylinders)
    if result.sync is not None and result.sync.kind == "plug-out":
        lines.append(say("sure.plug_out", cylinder=result.sync.cylinder))
    elif result.sync is not None:
        lines.append(say("sure.marks", events=result.sync.events, cylinder=result.sync.cylinder,
                         confidence_percent=min(99.0, 100.0 * result.sync.confidence)))
        asked = result.sync_asked
        if asked is not None and asked.kind == "cam" and result.sync.kind == "cam":
            lines.append(say("sure.cam_edge", edge_deg=asked.edge_deg, cylinder=asked.cylinder))
    else:
        lines.append(say("sure.by_pattern" if named else "sure.unnamed"))
    return tuple(lines)


def _on_a_gauge(result: Result) -> list[str]:
    """Return what the trade's limit means at the starter's speed, and which low cylinders may pass on a gauge."""
    from crankfold.analysis import at_gauge_speed

    found = at_gauge_speed(result, RULE_PERCENT)
    if found is None:
        return []
    facts = {"rule_percent": RULE_PERCENT, "gauge_rpm": found.gauge_rpm}
    lines = [say("sure.gauge_limit", limit_percent=found.limit_percent, rpm=found.rpm, **facts)]
    for cylinder, percent, (low, high) in zip(result.cylinders, found.percent, found.interval_percent, strict=True):
        if cylinder.state in ("low", "limit") and high >= RULE_PERCENT:
            lines.append(say("sure.gauge_may_pass", name=name_of(cylinder), percent=percent, low_percent=low,
                             high_percent=high, **facts))
    return lines


def next_steps(result: Result) -> tuple[str, ...]:
    """Return what to do next: the test that settles the finding, and how to name cylinders that have no number."""
    fuel, plug_out = result.engine.fuel, cylinder_without_plug(result)
    lines = list(steps(result))
    if result.verdict == "uneven":
        if plug_out is not None:
            lines.append(say("next.plug_out", cylinder=plug_out))
        if any(c.cylinder is None for c in result.cylinders):
            lines.append(say_for(fuel, "next.to_name"))
        lines.append(say("next.repeat"))
    return tuple(lines)


def notice_text(family: str, notice: Notice, fuel: str = "") -> str:
    """Return the sentence of a reason, caution or note: the most particular one that its facts can fill."""
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
