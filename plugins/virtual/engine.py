"""The virtual engine: crank one and get its currents, angles and pressures, with the truth about every cylinder.

    run = simulate(Bench(engine), duration_s=7.0, seed=1)
    run.current_a, run.angle_deg, run.truth().relative_percent

The same bench and seed give the same run, to the last bit. The equations are in `physics`, the rig that
would record the run in `signals`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from crankfold.plugins.virtual.numbers import STEP_S, drawn, physics, resting_state
from crankfold.plugins.virtual.specs import NEVER, Bench, CylinderSpec, EngineSpec

if TYPE_CHECKING:
    from numpy.typing import NDArray

COAST_S = 4.0  # after the key is let go the crank is followed this long; it stands by then
SETTLED_S = 0.5  # after the onset the in-rush and the first, partial compressions are over
BEFORE_END_S = 0.06  # the last moments before the key is let go are no whole compression
LARGEST_LEAK_MM2, LEAK_HALVINGS = 200.0, 12  # a plug hole and more; to a tenth of a percent
DEG = 180.0 / np.pi


@dataclass(frozen=True, eq=False)
class Truth:
    """What is true of one run; arrays by position in the firing order.

    Parameters
    ----------
    peak_gauge_bar : ndarray, shape (cylinders,)
        Mean over the steady cycles of the peak gauge pressure; NaN where no whole compression was seen.
    relative_percent : ndarray, shape (cylinders,)
        The same as percent of the strongest.
    cycles, rpm
        Engine cycles in, and mean speed of, the steady cranking.
    onset_s, end_s
        When the solenoid closes its contacts, and when the key is let go or the engine fires.
    """

    peak_gauge_bar: NDArray[np.float64]
    relative_percent: NDArray[np.float64]
    cycles: float
    rpm: float
    onset_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class VirtualRun:
    """What happened, step by step; every array has the shape (steps,) unless said otherwise.

    Parameters
    ----------
    time_s, angle_deg, crank_rad_s, armature_rad_s
        Time from the start of the recording; crank angle, unwrapped, 0 at the compression TDC of position 1; speeds,
        the armature's as seen at the crank.
    current_a
        In the starter's own lead, solenoid included.
    battery_a
        In the battery's lead: the same and everything else that is switched on.
    volts
        At the battery's posts.
    clutch_nm
        Torque through the one-way clutch.
    gauge_bar : ndarray, shape (steps, cylinders)
        Gas pressure over the air's.
    """

    bench: Bench
    seed: int
    time_s: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    crank_rad_s: NDArray[np.float64]
    armature_rad_s: NDArray[np.float64]
    current_a: NDArray[np.float64]
    battery_a: NDArray[np.float64]
    volts: NDArray[np.float64]
    clutch_nm: NDArray[np.float64]
    gauge_bar: NDArray[np.float64]

    @cached_property
    def fired_s(self) -> float | None:
        """Time of the first charge that burnt, None if none did."""
        found = [self._first_burn(k, c.fires_from_cycle) for k, c in enumerate(self.bench.engine.by_position())
                 if c.fires_from_cycle is not None]
        times = [t for t in found if t is not None]
        return min(times) if times else None

    def _first_burn(self, position: int, from_cycle: float) -> float | None:
        cycle = self.bench.engine.cycle_deg
        fire = self.bench.engine.fire_deg[position]
        earliest = self.angle_deg[0] + from_cycle * cycle
        tdc = fire + np.ceil((earliest - fire) / cycle) * cycle
        return self.time_at(float(tdc))

    def time_at(self, angle_deg: float) -> float | None:
        """Return when the crank first reached an unwrapped angle, None if it never did."""
        if not self.angle_deg[0] <= angle_deg <= self.angle_deg.max():
            return None
        after = int(np.argmax(self.angle_deg >= angle_deg))
        if after == 0:
            return float(self.time_s[0])
        low, high = self.angle_deg[after - 1], self.angle_deg[after]
        return float(self.time_s[after - 1] + (angle_deg - low) / (high - low) * STEP_S)

    def peaks(self, position: int, from_s: float, to_s: float) -> NDArray[np.float64]:
        """Return the peak gauge pressure, bar, of each whole compression of one position between two times."""
        engine = self.bench.engine
        turned = (self.angle_deg - engine.fire_deg[position] + 90.0) / engine.cycle_deg
        inside = (self.time_s >= from_s) & (self.time_s < to_s)
        number = np.floor(turned).astype(np.int64)
        near = (turned - number) * engine.cycle_deg < 180.0
        found = []
        for cycle in np.unique(number[inside & near]):
            here = near & (number == cycle)
            if inside[here].all():
                found.append(self.gauge_bar[here, position].max())
        return np.array(found)

    def truth(self) -> Truth:
        """Return what is true of the cylinders in the steady cranking."""
        key = self.bench.key
        onset = key.on_s + self.bench.starter.pull_in_s
        end = min(key.off_s, float(self.time_s[-1]) + STEP_S, self.fired_s if self.fired_s is not None else NEVER)
        found = self.truth_between(onset + SETTLED_S, end - BEFORE_END_S)
        return replace(found, onset_s=onset, end_s=end)

    def truth_between(self, from_s: float, to_s: float) -> Truth:
        """Return what is true of the cylinders between two times."""
        window = (from_s, to_s)
        n = len(self.bench.engine.firing_order)
        seen = [self.peaks(k, *window) for k in range(n)]
        bar = np.array([p.mean() if len(p) else np.nan for p in seen])
        angles = np.interp(window, self.time_s, self.angle_deg)
        span = max(window[1] - window[0], STEP_S)
        strongest = np.nanmax(bar) if np.isfinite(bar).any() else np.nan
        return Truth(bar, 100.0 * (bar / strongest), float(np.ptp(angles)) / self.bench.engine.cycle_deg,
                     float(np.ptp(angles)) / 6.0 / span, from_s, to_s)


def simulate(bench: Bench, duration_s: float = 7.0, seed: int = 0) -> VirtualRun:
    """Return what happens in `duration_s` seconds from a standing engine.

    Parameters
    ----------
    bench
        Engine, starter, battery and key.
    duration_s
        Length of the run, quiet before and after included.
    seed
        Draws where the crank stands before, unless the key says.
    """
    from crankfold.plugins.virtual import physics as virtual_physics

    key, n = bench.key, len(bench.engine.firing_order)
    start = key.start_deg if key.start_deg is not None else float(
        np.random.default_rng([seed, 1]).uniform(0.0, bench.engine.cycle_deg))
    total = max(round(duration_s / STEP_S), 1)
    first = min(round(key.on_s / STEP_S), total)
    steps = min(total, round((key.off_s + COAST_S) / STEP_S)) - first
    c = drawn(physics(bench), bench, float(np.radians(start)), seed)
    state = resting_state(c, np.radians(start))
    out, pressure = np.zeros((max(steps, 1), 6)), np.full((max(steps, 1), n), c.air_p)
    rest_volts, _, _ = virtual_physics.supply(c, 0.0, state[5], state[6], 0.0)
    out[0] = (state[0], 0.0, 0.0, 0.0, rest_volts, 0.0)
    if steps > 0:
        virtual_physics.crank(c, state, out, pressure)
    out, pressure = (_framed(a, first, total) for a in (out, pressure))
    time_s = np.arange(total, dtype=np.float64) * STEP_S
    shared, others = (consumed(bench, time_s, on_starter_lead=which) for which in (True, False))
    volts = out[:, 4] - c.ohmic * (shared + others)
    load = c.load_a + c.load_g * volts + others
    return VirtualRun(bench, seed, time_s, out[:, 0] * DEG, out[:, 1], out[:, 2], out[:, 3] + shared,
                      out[:, 3] + shared + load, volts, out[:, 5], (pressure - c.air_p) * 1e-5)


def consumed(bench: Bench, time_s: NDArray[np.float64], *, on_starter_lead: bool) -> NDArray[np.float64]:
    """Return what the consumers of one lead draw, amperes, shape (steps,)."""
    amps = np.zeros(len(time_s))
    for one in bench.battery.consumers:
        if one.on_starter_lead == on_starter_lead:
            since = time_s - bench.key.on_s - one.on_s
            live = (since >= 0.0) & (time_s < bench.key.on_s + one.off_s)
            amps += live * one.amps * (1.0 + (one.surge - 1.0) * np.exp(-np.maximum(since, 0.0) / one.surge_s))
    return amps


def motored(engine: EngineSpec, rpm: float, cycles: float = 3.0, step_s: float = STEP_S, *, start_deg: float = 180.0,
            ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return angle (degrees), torque (N m) and gauge pressures (bar, one column a position) at a held speed.

    The first cycle starts from still air at `start_deg`; take the last one for the steady state.
    """
    from crankfold.plugins.virtual import physics as virtual_physics

    c = physics(Bench(replace(engine, reciprocating_kg=0.0)))._replace(step=step_s)
    speed = rpm * np.pi / 30.0
    state = resting_state(c, float(np.radians(start_deg)))
    steps = int(cycles * c.cycle / speed / step_s)
    out, pressure = np.zeros((steps, 2)), np.zeros((steps, len(c.fire)))
    virtual_physics.motor_over(c, state, speed, out, pressure)
    return out[:, 0] * DEG, out[:, 1], (pressure - c.air_p) * 1e-5


def leak_for(engine: EngineSpec, position: int, percent: float, rpm: float) -> CylinderSpec:
    """Return the cylinder at a position with a leak that leaves about `percent` of its peak gauge pressure at `rpm`."""
    own, n = engine.by_position()[position], len(engine.firing_order)
    alone = replace(engine, firing_order=(1,), intervals_deg=(), throttle_mm2=engine.throttle_mm2 / n,
                    manifold_l=engine.manifold_l / n, gasket=None)

    def peak(leak_mm2: float) -> float:
        cylinder = replace(own, leak_mm2=leak_mm2)
        _, _, bar = motored(replace(alone, cylinders=(cylinder,)), rpm, step_s=2.0 * STEP_S)
        return float(bar[len(bar) // 3 :].max())

    whole, low, high = peak(own.leak_mm2), own.leak_mm2, LARGEST_LEAK_MM2
    for _ in range(LEAK_HALVINGS):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if peak(middle) > percent / 100.0 * whole else (low, middle)
    return replace(own, leak_mm2=float(np.sqrt(low * high)))


def _framed(values: NDArray[np.float64], first: int, total: int) -> NDArray[np.float64]:
    """Return `values` with the first row before and the last row after, `total` rows in all."""
    before = np.repeat(values[:1], first, axis=0)
    after = np.repeat(values[-1:], max(total - first - len(values), 0), axis=0)
    return np.concatenate((before, values, after))[:total]
