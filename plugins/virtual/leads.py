"""What hangs on the second channel: sparks of a coil, a cam's edge, the pressure in a cylinder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from crankfold.plugins.virtual.pickups import LONGEST_S, SUPPLY_V, Pickup, at_rest, joined, pin_volts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.plugins.virtual.engine import VirtualRun

LeadKind = Literal["none", "waste-spark", "single-spark", "cam", "pressure"]
LEAD_KINDS: tuple[LeadKind, ...] = ("none", "waste-spark", "single-spark", "cam", "pressure")
BURN_SHARE = 0.2  # of the breakdown voltage stays while the spark burns


@dataclass(frozen=True)
class SyncLead:
    """What hangs on the second channel.

    Parameters
    ----------
    angle_deg
        For sparks: crank degrees from the cylinder's TDC, negative before it. For ``cam``: from its compression TDC
        to the rising edge.
    kv_still, kv_per_bar
        Breakdown voltage in still air, and its rise with the pressure between the electrodes.
    pickup
        For sparks: what the board sees of them, an ideal probe's ``kilovolts`` or the volts of a pick-up's circuit.
        `peak_ms`, `burn_ms` and `peak_held` are the ideal probe's.
    inverted
        The other way round: the signal of a probe, a cam or a pressure, the lead's polarity for a pick-up.
    peak_ms, burn_ms
        How long the peak lasts (with the pickup's stretch) and how long the spark burns.
    peak_held
        The front end holds a peak until the next sample, so that slow boards see it.
    repeat_ms, repeat_deg
        A coil that fires again and again: spacing, and over how many degrees; 0 for once.
    missed, doubled
        Share of the marks that do not come, and that come twice.
    noise
        Standard deviation in the lead's unit; `hash_share` couples in the starter's brushes.
    width_deg
        For ``cam``: how long the signal stays high.
    full_scale
        Of the channel, in its unit; None: one that fits the signal.
    """

    kind: LeadKind = "none"
    cylinder: int = 1
    angle_deg: float = -7.0
    inverted: bool = False
    pickup: Pickup = "kilovolts"
    kv_still: float = 1.9
    kv_per_bar: float = 0.57
    peak_ms: float = 0.12
    burn_ms: float = 1.3
    peak_held: bool = True
    repeat_ms: float = 0.0
    repeat_deg: float = 0.0
    missed: float = 0.0
    doubled: float = 0.0
    noise: float = 0.05
    hash_share: float = 0.0
    width_deg: float = 140.0
    full_scale: float | None = None

    @property
    def unit(self) -> str:
        """Unit of the channel."""
        spark = "kV" if self.pickup == "kilovolts" else "V"
        return {"waste-spark": spark, "single-spark": spark, "pressure": "bar"}.get(self.kind, "V")

    @property
    def at_a_pin(self) -> bool:
        """Whether it is a spark as a pick-up's circuit puts it on the board's pin."""
        return self.kind in {"waste-spark", "single-spark"} and self.pickup != "kilovolts"


def turned(run: VirtualRun) -> NDArray[np.float64]:
    """Return the armature's angle as seen at the crank, rad, shape (steps,)."""
    step = run.time_s[1] - run.time_s[0] if len(run.time_s) > 1 else 0.0
    return np.cumsum(run.armature_rad_s) * step


def lead(run: VirtualRun, lead_spec: SyncLead, t: NDArray[np.float64], interval_s: float, rng: np.random.Generator,
         ) -> NDArray[np.float64]:
    """Return the sync lead's signal at the times `t`, in its unit."""
    engine = run.bench.engine
    if lead_spec.cylinder not in engine.firing_order:
        raise ValueError(f"the sync lead is on cylinder {lead_spec.cylinder}, which the engine lacks")
    position = engine.firing_order.index(lead_spec.cylinder)
    fire = engine.fire_deg[position]
    if lead_spec.kind == "pressure":
        signal = np.interp(t, run.time_s, run.gauge_bar[:, position])
    elif lead_spec.kind == "cam":
        angle = np.interp(t, run.time_s, run.angle_deg)
        past = np.mod(angle - fire - lead_spec.angle_deg, engine.cycle_deg)
        signal = np.where(past < lead_spec.width_deg, 5.0, 0.0)
    else:
        signal = _sparks(run, lead_spec, t, interval_s, rng)
    if lead_spec.hash_share:
        current = np.interp(t, run.time_s, run.current_a)
        bars = run.bench.starter.commutator_bars * run.bench.starter.gear_ratio * np.interp(t, run.time_s, turned(run))
        spikes = np.maximum(np.sin(bars) - 0.8, 0.0) * 5.0 * rng.standard_normal(len(t))
        signal = signal + lead_spec.hash_share * spikes * current / max(float(current.max()), 1.0)
    noisy = (-1.0 if lead_spec.inverted and not lead_spec.at_a_pin else 1.0) * signal
    noisy = noisy + lead_spec.noise * rng.standard_normal(len(t))
    return np.asarray(np.clip(noisy, 0.0, SUPPLY_V) if lead_spec.at_a_pin else noisy)


def _sparks(run: VirtualRun, spec: SyncLead, t: NDArray[np.float64], interval_s: float, rng: np.random.Generator,
            ) -> NDArray[np.float64]:
    position = run.bench.engine.firing_order.index(spec.cylinder)
    fire = run.bench.engine.fire_deg[position]
    every = 360.0 if spec.kind == "waste-spark" else run.bench.engine.cycle_deg
    signal = np.full(len(t), at_rest(spec.pickup))
    first = np.ceil((run.angle_deg[0] - fire - spec.angle_deg) / every)
    for number in range(int(first), int(first) + int(np.ptp(run.angle_deg) / every) + 2):
        at = run.time_at(fire + spec.angle_deg + number * every)
        missed, doubled = rng.uniform(size=2) < (spec.missed, spec.doubled)
        if at is None or at <= run.time_s[0] or missed:
            continue
        times = [at]
        if spec.repeat_ms > 0.0:
            ends = run.time_at(fire + spec.angle_deg + number * every + spec.repeat_deg) or at
            times = list(np.arange(at, max(ends, at) + 1e-9, spec.repeat_ms * 1e-3))
        if doubled:
            times.append(at + rng.uniform(0.002, 0.008))
        for one in times:
            bar = 1.0 + float(np.interp(one, run.time_s, run.gauge_bar[:, position]))
            peak = (spec.kv_still + spec.kv_per_bar * max(bar, 0.1)) * rng.uniform(0.92, 1.08)
            _spark(signal, t, (one, peak), spec, interval_s)
    return signal


def _spark(signal: NDArray[np.float64], t: NDArray[np.float64], spark: tuple[float, float], spec: SyncLead,
           interval_s: float) -> None:
    """Add one spark, given as its time and height: a steep peak, then a slowly falling burn line."""
    at, peak = spark
    if spec.at_a_pin:
        there = slice(int(np.searchsorted(t, at)), int(np.searchsorted(t, at + LONGEST_S)))
        pulse = pin_volts(spec.pickup, t[there] - at, peak, turned=spec.inverted, interval_s=interval_s)
        signal[there] = joined(spec.pickup)(signal[there], pulse)
        return
    start = int(np.searchsorted(t, at))
    stop = int(np.searchsorted(t, at + max(spec.burn_ms * 1e-3, 6e-3 * spec.peak_ms))) + 1
    since = t[start:stop] - at
    tail = np.where(since < spec.burn_ms * 1e-3, BURN_SHARE * peak * (1.0 - 0.3 * since / (spec.burn_ms * 1e-3)), 0.0)
    shape = np.maximum(peak * np.exp(-since / (spec.peak_ms * 1e-3)), tail)
    if spec.peak_held and len(shape) and since[0] <= interval_s:
        shape[0] = peak
    signal[start:stop] = np.maximum(signal[start:stop], shape)
