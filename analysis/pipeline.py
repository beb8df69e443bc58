"""The one way in: from a capture and an engine to a result."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.answer import (
    Odds,
    Thresholds,
    as_current,
    battery_beside,
    battery_cautions,
    cranking_cautions,
    find_pattern,
    health_of_voltage,
    is_battery_voltage,
    judge,
    mean_current,
    misfire_notices,
    near_limit,
    one_far_above,
    read_health,
    slow,
    trace_cautions,
    widened,
    with_battery,
)
from crankfold.analysis.capture import CURRENT, CUT_SHORT, PRESSURE, Capture
from crankfold.analysis.criticism import after_estimate, before_estimate, no_cranking, one_cylinder, rhythm_against
from crankfold.analysis.engine import Engine, SyncSpec
from crankfold.analysis.errors import InputError, quoted
from crankfold.analysis.posterior import estimate as explain
from crankfold.analysis.posterior import find_rates
from crankfold.analysis.result import Cranking, Cylinder, Notice, Result
from crankfold.analysis.signal import NoCranking, Span, after_decompressor, condition, with_enough_cycles
from crankfold.analysis.sync import (
    Gauge,
    Joined,
    Naming,
    anchored,
    find_marks,
    gauge_from_marks,
    join_namings,
    name_by_marks,
    name_by_pattern,
    name_by_plug_out,
    pressure_found,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.result import Health
    from crankfold.analysis.signal import CrankingTrace
    from crankfold.analysis.sync import Marks

__all__ = ["Gauge", "Thresholds", "analyse"]

STANDARD = Thresholds()
UNFIT = ("not-explained", "hump-count", "clipped", "engine-fired")


def analyse(
    capture: Capture, engine: Engine, *, sync: SyncSpec | Sequence[SyncSpec] | None = None,
    thresholds: Thresholds = STANDARD, gauge: Gauge | None = None, misfire_codes: Sequence[str] = (),
) -> Result:
    """Return the answer to one capture: a verdict with each cylinder's relative compression, or why there is none.

    Parameters
    ----------
    capture
        The recording; its longest cranking is judged.
    engine
        Cylinders, firing order, intervals, strokes.
    sync
        What a channel marks, or several of them: the surest names the cylinders, the others confirm or contradict it.
        None leaves even-firing cylinders unnamed.
    thresholds
        Limits of low, dead and watch.
    gauge
        A known gauge reading of one cylinder; gives estimated bar for all.
    misfire_codes
        Such as ``("P0302",)``: compared with the finding in the result's notes and cautions.

    Raises
    ------
    InputError
        There is no current to analyse, or sync, gauge or codes name a cylinder that the engine lacks.
    """
    if not isinstance(capture, Capture):
        raise InputError(f"there is {quoted(capture)} to analyse; give a Capture, such as Capture.from_arrays makes")
    if not isinstance(engine, Engine):
        raise InputError(f"the engine is {quoted(engine)}; give an Engine, such as Engine.parse('1-3-4-2')")
    specs = () if sync is None else (sync,) if isinstance(sync, SyncSpec) else tuple(sync)
    for spec in specs:
        engine.position_of(spec.cylinder)
    if gauge is not None:
        engine.position_of(gauge.cylinder)
    misfire_notices(misfire_codes, engine, ())
    result = _answer(capture, Result("none", engine, sync_asked=specs[0] if specs else None), specs, thresholds, gauge,
                     misfire_codes)
    if capture.notes.get(CUT_SHORT) and result.trace is not None:
        result = replace(result, cautions=(Notice("cut-short"), *result.cautions))
    return replace(result, health=_health(result, capture))


def _answer(capture: Capture, base: Result, specs: tuple[SyncSpec, ...], thresholds: Thresholds,
            gauge: Gauge | None, misfire_codes: Sequence[str]) -> Result:
    engine, volts = base.engine, is_battery_voltage(capture)
    try:
        trace, shut_s = after_decompressor(condition(as_current(capture) if volts else capture))
    except NoCranking as nothing:
        unit = capture.channels[capture.index_of(CURRENT) or 0].unit
        return replace(base, reasons=(no_cranking(nothing.facts, unit),))
    if shut_s is None:
        rates = find_rates(trace, engine)
        trace = with_enough_cycles(trace, rates[0].rate_hz if rates else None)
    base = replace(base, trace=trace, cautions=tuple(trace_cautions(trace, battery_voltage=volts, shut_s=shut_s)),
                   cranking=_cranking(trace, None))
    if not volts:
        beside = battery_beside(capture, trace, system_v=engine.system_v)
        minded = battery_cautions(capture, trace, beside, system_v=engine.system_v)
        base = replace(base, cautions=(*base.cautions, *minded))
    marks = {spec: _marks(capture, spec, trace) for spec in specs}
    base = replace(base, sync_pulses_s=_pulses_s(marks, base.sync_asked))
    reasons = before_estimate(trace, engine, battery_voltage=volts)
    if reasons:
        return replace(base, reasons=reasons)
    estimate = explain(trace, engine)
    if volts and estimate is not None:
        estimate = widened(estimate)
    reasons = after_estimate(trace, engine, estimate)
    if engine.cylinders == 1:
        reasons = (*reasons[:1], one_cylinder(estimate)) if reasons else (one_cylinder(estimate),)
    if estimate is not None:
        base = replace(base, cranking=_cranking(trace, estimate), estimate=estimate)
    if reasons or estimate is None:
        slow_too = slow(estimate.rpm) if estimate is not None else []
        return replace(base, reasons=reasons, cautions=(*base.cautions, *slow_too))
    result = _judged(base, marks, (estimate, *estimate.others), thresholds)
    return result if result.verdict == "none" else _beside(result, capture, marks, gauge, misfire_codes)


def _health(result: Result, capture: Capture) -> Health | None:
    """Return starter and battery as the capture shows them, None where nothing was cranked."""
    if result.trace is None:
        return None
    if not is_battery_voltage(capture):
        holds = not any(r.code in UNFIT for r in result.reasons)  # a fit that does not hold tells nothing of a battery
        health = read_health(result.trace, result.estimate if holds else None, system_v=result.engine.system_v)
        return with_battery(health, battery_beside(capture, result.trace, system_v=result.engine.system_v))
    return health_of_voltage(capture, result.trace.crank)


def _judged(base: Result, marks: Mapping[SyncSpec, Marks | None], estimates: Sequence[Estimate],
            thresholds: Thresholds) -> Result:
    """Return the result with a verdict, or with the reasons that the numbers give against one."""
    engine, trace = base.engine, base.trace
    assert trace is not None
    joined = _name(engine, marks, estimates)
    naming, chief = joined.naming, joined.spec
    best = turned(estimates[naming.chosen], naming.first or 0, engine)
    numbers = engine.firing_order if naming.first is not None else (None,) * engine.cylinders
    verdict, cylinders = judge(best.relative_percent, best.interval_percent, numbers, thresholds,
                               Odds.of(best, thresholds))
    rhythm = None if chief is None else rhythm_against(marks[chief], chief, engine, best)
    cautions = [*base.cautions, *cranking_cautions(trace, engine, best)]
    high = one_far_above(best.relative_percent.tolist())
    cautions += [c for c in (near_limit(cylinders, thresholds), high, naming.caution) if c is not None]
    base = replace(base, estimate=best, cranking=_cranking(trace, best), sync_asked=chief,
                   sync_pulses_s=_pulses_s(marks, chief), sync_sources=joined.sources,
                   cautions=(*cautions, *joined.cautions), notes=joined.notes)
    if rhythm is not None:
        return replace(base, reasons=(rhythm,))
    return replace(base, verdict=verdict, cylinders=cylinders, sync=naming.sync,
                   pattern=find_pattern(engine, _without_plug_out(cylinders, tuple(marks))))


def _beside(result: Result, capture: Capture, marks: Mapping[SyncSpec, Marks | None], gauge: Gauge | None,
            codes: Sequence[str]) -> Result:
    """Return the result with what a gauge, a pressure channel and misfire codes add to it."""
    notes, cautions = misfire_notices(codes, result.engine, result.cylinders)
    cylinders, said, minded = _anchor(result, _pressure(result, capture, marks), gauge)
    return replace(result, cylinders=cylinders, notes=(*result.notes, *notes, *said),
                   cautions=(*result.cautions, *cautions, *minded))


def _pressure(result: Result, capture: Capture, marks: Mapping[SyncSpec, Marks | None]) -> tuple[int, Gauge] | None:
    """Return 1-based position and peak of a pressure channel: as it was told to be, or whose it is by its angle."""
    against = {(source.kind, source.channel) for source in result.sync_sources if source.agrees is False}
    for spec, found in marks.items():
        if spec.kind == "pressure" and found is not None and (spec.kind, spec.channel) not in against:
            channel = gauge_from_marks(found, spec.cylinder)
            return None if channel is None else (result.engine.position_of(spec.cylinder) + 1, channel)
    if result.trace is None or result.estimate is None or any(spec.channel == PRESSURE for spec in marks):
        return None
    by_angle = pressure_found(capture, result.engine, result.estimate, result.trace.crank)
    return None if by_angle is None else (by_angle[0] + 1, by_angle[1])


def turned(estimate: Estimate, first: int, engine: Engine) -> Estimate:
    """Return an estimate with its arrays turned so that index `first` becomes the firing order's position 1."""
    if first == 0:
        return estimate
    return replace(
        estimate, relative_percent=np.roll(estimate.relative_percent, -first),
        interval_percent=np.roll(estimate.interval_percent, -first, axis=0),
        heights_percent=np.roll(estimate.heights_percent, -first),
        chances=np.roll(estimate.chances, -first, axis=0),
        angle_deg=estimate.angle_deg - engine.firing_deg[first],
    )


def _marks(capture: Capture, sync: SyncSpec, trace: CrankingTrace) -> Marks | None:
    until = trace.crank.end_s if trace.fired_at_s is None else trace.fired_at_s
    return find_marks(capture, sync, Span(trace.crank.start_s, until))


def _pulses_s(marks: Mapping[SyncSpec, Marks | None], spec: SyncSpec | None) -> tuple[float, ...]:
    """Return when each sync pulse of a source came, for pictures: those that were looked at, no others."""
    found = None if spec is None else marks.get(spec)
    return () if found is None else tuple(found.time_s.tolist())


def _name(engine: Engine, marks: Mapping[SyncSpec, Marks | None], estimates: Sequence[Estimate]) -> Joined:
    """Return which cylinder is which, by all sync sources, or by the firing pattern where there is none."""
    if not marks:
        return Joined(name_by_pattern(engine, estimates), None)
    return join_namings(tuple(marks), [_named_by(spec, found, engine, estimates) for spec, found in marks.items()])


def _named_by(sync: SyncSpec, marks: Marks | None, engine: Engine, estimates: Sequence[Estimate]) -> Naming:
    if sync.kind == "plug-out":
        return name_by_plug_out(sync, engine, estimates)
    if marks is None:
        return replace(name_by_pattern(engine, estimates), caution=Notice("sync-cannot-name", {"why": "no-channel"}))
    return name_by_marks(marks, sync, engine, estimates)


def _cranking(trace: CrankingTrace, estimate: Estimate | None) -> Cranking:
    amperes, run_up = trace.unit == "A", trace.run_up if trace.has_onset else None
    settled = run_up is not None and run_up.settled
    return Cranking(
        onset_s=trace.crank.start_s, end_s=trace.crank.end_s, cycles=0.0 if estimate is None else estimate.cycles,
        rpm=0.0 if estimate is None else estimate.rpm,
        inrush_a=float(trace.inrush) if amperes and np.isfinite(trace.inrush) else None,
        mean_a=mean_current(trace) if amperes else None, sample_rate_hz=trace.source_rate_hz,
        run_up_s=run_up.end_s - trace.crank.start_s if run_up is not None and settled else None,
        run_up_level=run_up.level if run_up is not None and settled else None,
        judged_from_s=trace.steady_from_s, judged_to_s=trace.steady_to_s,
    )


def _anchor(result: Result, pressure: tuple[int, Gauge] | None,
            gauge: Gauge | None) -> tuple[tuple[Cylinder, ...], list[Notice], list[Notice]]:
    """Return the cylinders with pressures where something anchors them, with notes and cautions about it."""
    cylinders, channel = result.cylinders, None if pressure is None else pressure[1]
    used = gauge or channel
    if used is None:
        return cylinders, [], []
    named = any(c.cylinder == used.cylinder for c in cylinders)
    position = pressure[0] if pressure is not None and gauge is None and not named else None
    out = anchored(cylinders, used, position)
    if all(c.pressure_bar is None for c in out):
        why = "too-low-to-scale" if named or position is not None else "not-named"
        return cylinders, [], [Notice("gauge-not-used", {"cylinder": used.cylinder, "why": why})]
    if position is not None:
        return out, [Notice("channel-anchors-position", {"position": position, "gauge_bar": used.bar})], []
    note = Notice("gauge-used" if gauge else "channel-anchors", {"cylinder": used.cylinder, "gauge_bar": used.bar})
    cautions = []
    if gauge and channel:
        there = next((c for c in out if c.cylinder == channel.cylinder), None)
        if there and there.pressure_bar and there.pressure_interval_bar:
            low, high = there.pressure_interval_bar
            if not low - channel.error_bar <= channel.bar <= high + channel.error_bar:
                cautions.append(Notice("gauge-disagrees", {
                    "cylinder": channel.cylinder, "gauge_bar": there.pressure_bar, "channel_bar": channel.bar}))
    return out, [note], cautions


def _without_plug_out(cylinders: tuple[Cylinder, ...], specs: Sequence[SyncSpec]) -> tuple[Cylinder, ...]:
    """Return the cylinders to look for a pattern in: not one whose plug was taken out on purpose."""
    out = {spec.cylinder for spec in specs if spec.kind == "plug-out"}
    return tuple(replace(c, state="good") if c.cylinder in out else c for c in cylinders)
