"""Plain made-up tracks, traces and estimates, and crankings of the virtual engine, for the tests of this room."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from statistics import NormalDist

import numpy as np
import pytest

from crankfold.analysis import Capture, CrankingTrace, Estimate
from crankfold.analysis.signal import Span


def make_estimate(engine, *, rpm=180.0, seconds=4.0, begin_s=1.0, first_deg=-100.0, relative=None, width=4.0,
                  heights=None, details=None, **changes):
    """An estimate whose crank turns evenly but for the slowing before each TDC; `width` of each range, percent."""
    n = engine.cylinders
    relative = np.full(n, 100.0) if relative is None else np.asarray(relative, dtype=float)
    time = begin_s + np.arange(round(seconds * 1000)) / 1000.0
    even = first_deg + 6.0 * rpm * (time - begin_s)
    angle = even + 4.0 * np.sin(np.radians(even * n * 360.0 / engine.cycle_deg))
    half = width / 2
    chances = np.stack([spread(value, width / 3.92) for value in relative])
    made = Estimate(
        relative_percent=relative, interval_percent=np.column_stack((np.maximum(relative - half, 0), relative + half)),
        time_s=time, angle_deg=angle, model=np.full(len(time), np.nan), cycles=6.0 * rpm * seconds / engine.cycle_deg,
        rpm=rpm, explained=0.99, chances=chances, lowest=chances[int(np.argmin(relative))], right=0.99, fires=0.02,
        compresses=1.0, placed=1.0, details=details or {},
        heights_percent=relative.copy() if heights is None else np.asarray(heights, dtype=float),
    )
    return replace(made, **changes)


def spread(percent, sd):
    """A bell over whole percents, what lies beyond 0 and 100 at the ends."""
    edges = np.concatenate(([-np.inf], np.arange(100) + 0.5, [np.inf]))
    return np.diff([NormalDist(percent, max(sd, 1e-3)).cdf(float(e)) for e in edges])


def make_trace(*, seconds=4.0, hump_hz=6.0, mean=150.0, swing=60.0, rate_hz=2000.0, unit="A", onset_s=0.5, **changes):
    """A cranking with sine humps: in-rush, then `seconds` of steady humps, with half a second of quiet around."""
    time = (np.arange(round((onset_s + 0.5 + seconds + 0.5) * rate_hz)) + 0.5) / rate_hz
    end = onset_s + 0.5 + seconds + 0.06
    on = (time >= onset_s) & (time < end)
    since = time - onset_s
    inrush = 3.0 * mean * np.exp(-np.maximum(since, 0) / 0.04)
    current = on * (mean + swing * np.cos(2 * np.pi * hump_hz * since) + inrush)
    made = CrankingTrace(
        time_s=time, current=current, smooth=current.copy(), rate_hz=rate_hz, source_rate_hz=rate_hz, unit=unit,
        polarity=1, zero=0.0, noise=0.5, crank=Span(onset_s, end), others=(), steady_from_s=onset_s + 0.5,
        inrush=4 * mean, bridged=(), clipped_humps=0.0, clipped_inrush=False,
        steady_to_s=onset_s + 0.5 + seconds,
    )
    return replace(made, **changes)


def time_at(estimate, angle_deg):
    """When the crank of an estimate stands at an angle, for every cycle within its track."""
    return np.interp(angle_deg, estimate.angle_deg, estimate.time_s)


@cache
def virtual_cranking(order=(1, 3, 4, 2), *, dead=None, leak_mm2=0.5, lead="none", cylinder=1, seconds=4.0, seed=5):
    """A capture of the virtual engine, with its truth by position."""
    from crankfold.plugins.virtual.engine import simulate
    from crankfold.plugins.virtual.leads import SyncLead
    from crankfold.plugins.virtual.signals import RigSpec, record
    from crankfold.plugins.virtual.specs import Bench, CylinderSpec, EngineSpec, KeySpec

    engine = EngineSpec(firing_order=order)
    if dead is not None:
        engine = engine.with_cylinder(dead, CylinderSpec(leak_mm2=leak_mm2))
    bench = Bench(engine=engine, key=KeySpec(on_s=0.8, off_s=0.8 + seconds))
    run = simulate(bench, 0.8 + seconds + 0.5, seed=seed)
    recording = record(run, RigSpec(sync=SyncLead(kind=lead, cylinder=cylinder)), seed=seed)
    values = [c.values(recording.codes[:, k]) for k, c in enumerate(recording.columns)]
    capture = Capture.from_arrays(
        values[0] / 0.010, rate_hz=recording.rate_hz, sync=values[1] if len(values) > 1 else None,
        sync_unit=recording.columns[1].unit if len(values) > 1 else "V")
    return capture, run.truth()


@pytest.fixture(scope="session")
def estimate_of():
    return make_estimate


@pytest.fixture(scope="session")
def trace_of():
    return make_trace


@pytest.fixture(scope="session")
def cranking_of():
    return virtual_cranking


@pytest.fixture(scope="session")
def when():
    return time_at
