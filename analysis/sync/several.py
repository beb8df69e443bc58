"""Several sync sources at once: the surest names the cylinders, the others confirm it or contradict it.

Sources err on their own, so what they say together has the product of their odds: one that confirms makes the naming
surer, one that contradicts may leave it too unsure to be said. A pressure channel beside the current is one of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from crankfold.analysis.capture import PRESSURE
from crankfold.analysis.engine import SyncSpec
from crankfold.analysis.result import Notice, SyncSource
from crankfold.analysis.sync.anchor import gauge_from_marks
from crankfold.analysis.sync.naming import MAX_CONFIDENCE, MIN_CONFIDENCE, Naming, name_by_marks
from crankfold.analysis.sync.pulses import find_marks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.engine import Engine
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import Span
    from crankfold.analysis.sync.anchor import Gauge


@dataclass(frozen=True)
class Joined:
    """What several sources say together.

    Parameters
    ----------
    naming
        Of the surest, with the confidence that all of them leave.
    spec
        Of that source, None without any.
    sources
        One for each, in the order they were given.
    notes, cautions
        Who confirms; who contradicts or is silent.
    """

    naming: Naming
    spec: SyncSpec | None
    sources: tuple[SyncSource, ...] = ()
    notes: tuple[Notice, ...] = ()
    cautions: tuple[Notice, ...] = ()


def join_namings(specs: Sequence[SyncSpec], namings: Sequence[Naming]) -> Joined:
    """Return what sources say together; with a single one, what it says.

    Parameters
    ----------
    specs, namings
        The sources, and the naming that each would give alone.
    """
    if len(specs) == 1:
        return Joined(namings[0], specs[0])
    named = [at for at, naming in enumerate(namings) if naming.sync is not None]
    if not named:
        return Joined(namings[0], specs[0], tuple(_source(spec, naming, None) for spec, naming
                                                  in zip(specs, namings, strict=True)))
    chief = max(named, key=lambda at: _confidence(namings[at]))
    agrees = {at: _alike(namings[at], namings[chief]) for at in named}
    odds = 1.0
    for at, agreeing in agrees.items():
        confidence = _confidence(namings[at])
        ratio = confidence / (1.0 - confidence)
        odds *= ratio if agreeing else 1.0 / ratio
    confidence = min(MAX_CONFIDENCE, odds / (1.0 + odds))
    sources = tuple(_source(spec, naming, agrees.get(at)) for at, (spec, naming)
                    in enumerate(zip(specs, namings, strict=True)))
    cautions = [_told("sync-contradicts", specs[at], specs[chief]) for at, agreeing in agrees.items() if not agreeing]
    cautions += [_told("sync-silent", specs[at], specs[chief], _why(naming)) for at, naming in enumerate(namings)
                 if at not in agrees]
    confirming = sum(agrees.values()) - 1
    notes = (Notice("sync-confirms", {"count": confirming, "kind": specs[chief].kind,
                                      "cylinder": specs[chief].cylinder}),) if confirming else ()
    return Joined(_with_confidence(namings[chief], confidence), specs[chief], sources, notes, tuple(cautions))


def _confidence(naming: Naming) -> float:
    assert naming.sync is not None
    return min(naming.sync.confidence, MAX_CONFIDENCE)


def _alike(one: Naming, other: Naming) -> bool:
    return (one.chosen, one.first) == (other.chosen, other.first)


def _why(naming: Naming) -> str:
    return str(naming.caution.facts.get("why", "")) if naming.caution is not None else ""


def _with_confidence(naming: Naming, confidence: float) -> Naming:
    """Return the naming with what all sources leave of its confidence, or without names where that is too little."""
    assert naming.sync is not None
    if confidence < MIN_CONFIDENCE:
        return Naming(0, None)
    return replace(naming, sync=replace(naming.sync, confidence=round(confidence, 3)))


def _source(spec: SyncSpec, naming: Naming, agrees: bool | None) -> SyncSource:
    events, confidence = (naming.sync.events, naming.sync.confidence) if naming.sync is not None else (0, 0.0)
    return SyncSource(spec.kind, spec.cylinder, spec.channel, events, confidence, agrees)


def _told(code: str, spec: SyncSpec, chief: SyncSpec, why: str = "") -> Notice:
    facts = {"kind": spec.kind, "cylinder": spec.cylinder, "channel": spec.channel, "other_kind": chief.kind,
             "other_cylinder": chief.cylinder}
    return Notice(code, {**facts, "reason": why} if why else facts)


def pressure_found(capture: Capture, engine: Engine, estimate: Estimate, within: Span) -> tuple[int, Gauge] | None:
    """Return the 0-based position whose pressure the channel `PRESSURE` carries, and its peak; None if it says nothing.

    Parameters
    ----------
    capture
        With that channel, in a unit of pressure.
    engine, estimate
        The accepted explanation, turned so that index 0 is position 1.
    within
        The cranking.
    """
    best: tuple[float, int, Gauge] | None = None
    for place in range(engine.pattern_length):  # of an uneven pattern, each of its cylinders may be the one
        asked = SyncSpec("pressure", engine.firing_order[place], channel=PRESSURE)
        marks = find_marks(capture, asked, within)
        gauge = None if marks is None else gauge_from_marks(marks, asked.cylinder)
        if marks is None or gauge is None:
            return None
        naming = name_by_marks(marks, asked, engine, (estimate,))
        if naming.first is None or naming.sync is None or naming.sync.kind != asked.kind:
            continue
        if best is None or naming.sync.confidence > best[0]:
            position = (naming.first + place) % engine.cylinders
            best = naming.sync.confidence, position, replace(gauge, cylinder=engine.firing_order[position])
    return None if best is None else best[1:]
