"""What a rig would record of a virtual run: clamp, converter, sampling clock and sync lead with all their faults.

``record(run, RigSpec(rate_hz=5000, sync=SyncLead("waste-spark", cylinder=1)), seed=1)`` gives codes and columns;
``columns[0].values(codes[:, 0])`` is the clamp's voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.plugins.virtual.engine import VirtualRun

LeadKind = Literal["none", "waste-spark", "single-spark", "cam", "pressure"]
LEAD_KINDS: tuple[LeadKind, ...] = ("none", "waste-spark", "single-spark", "cam", "pressure")
Quantity = Literal["current", "battery-current", "battery-voltage"]
QUANTITIES: tuple[Quantity, ...] = ("current", "battery-current", "battery-voltage")
DENSE_HZ = 20_000.0  # analogue signals are made at least this densely, so that slow converters alias as real ones do
BURN_SHARE = 0.2  # of the breakdown voltage stays while the spark burns
MARGIN = 1.02  # the converter's top code lies this far inside its full scale


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
        return {"waste-spark": "kV", "single-spark": "kV", "pressure": "bar"}.get(self.kind, "V")


@dataclass(frozen=True)
class RigSpec:
    """Clamp, converter and clock.

    Parameters
    ----------
    rate_hz, rate_error
        Nominal samples a second, and by what share the true rate is higher.
    quantity
        ``current`` in the starter's lead, ``battery-current``, or ``battery-voltage`` in its place.
    clamp_mv_per_a, gain_error, offset_a, drift_a_per_s, noise_a, bandwidth_hz, limit_a
        The clamp: scale and by what share it is wrong, zero and its drift, noise, first-order bandwidth, range.
    polarity
        -1 when the clamp is on the wrong way round.
    hash_share, hash_harmonic, eccentric_share
        Commutator hash as a share of the current, its second harmonic, and a ripple once a turn of the armature.
    hum_a, mains_hz
        Mains hum.
    bits, full_scale, bipolar
        The converter; full scale in volts at its input, None: one that fits the signal.
    skew_s
        Time from the sampling of the current to that of the sync channel.
    """

    rate_hz: float = 10_000.0
    rate_error: float = 0.0
    quantity: Quantity = "current"
    clamp_mv_per_a: float = 10.0
    gain_error: float = 0.0
    offset_a: float = 0.0
    drift_a_per_s: float = 0.0
    noise_a: float = 1.5
    bandwidth_hz: float = 5_000.0
    limit_a: float | None = None
    polarity: int = 1
    hash_share: float = 0.02
    hash_harmonic: float = 0.4
    eccentric_share: float = 0.0
    hum_a: float = 0.3
    mains_hz: float = 50.0
    bits: int = 12
    full_scale: float | None = None
    bipolar: bool = True
    skew_s: float = 0.0
    sync: SyncLead = field(default_factory=SyncLead)


@dataclass(frozen=True)
class Column:
    """One recorded column: ``value = code * scale + offset`` in `unit`; `low` and `high` are its end codes."""

    name: str
    unit: str
    scale: float
    offset: float
    low: int
    high: int

    def values(self, codes: NDArray[Any]) -> NDArray[np.float64]:
        """Return codes in `unit`."""
        return codes * self.scale + self.offset

    def codes(self, values: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return the nearest codes to values in `unit`, clipped to the converter's range."""
        return np.clip(np.round((values - self.offset) / self.scale), self.low, self.high).astype(np.int64)


@dataclass(frozen=True, eq=False)
class Recording:
    """What the board would hand over.

    Parameters
    ----------
    codes : ndarray, shape (samples, columns), int16 or uint16
        Raw codes; the current (in volts of the clamp) first.
    rate_hz
        True samples a second.
    """

    codes: NDArray[Any]
    columns: tuple[Column, ...]
    rate_hz: float


def record(run: VirtualRun, rig: RigSpec, seed: int = 0) -> Recording:
    """Return the codes that the rig takes of the run; the same seed gives the same noise."""
    rng = np.random.default_rng([seed, 2])
    rate = rig.rate_hz * (1.0 + rig.rate_error)
    dense = max(1, int(np.ceil(DENSE_HZ / rate)))
    count = max(int(run.time_s[-1] * rate), 1)
    fine = np.arange(count * dense) / (rate * dense)
    analogue = low_pass(_analogue(run, rig, fine, rng), rig.bandwidth_hz, rate * dense)[::dense]
    signals = [analogue]
    if rig.sync.kind != "none":
        signals.append(lead(run, rig.sync, fine[::dense] + rig.skew_s, 1.0 / rate, rng))
    tops = [float(np.abs(signal).max()) for signal in signals]
    made = columns(rig, *tops)
    codes = np.column_stack([column.codes(signal) for column, signal in zip(made, signals, strict=True)])
    return Recording(codes.astype(np.int16 if rig.bipolar else np.uint16), made, rate)


def columns(rig: RigSpec, current_top_v: float = 1.0, sync_top: float = 1.0) -> tuple[Column, ...]:
    """Return what the rig's codes mean; the tops are used only where the rig states no full scale."""
    first = _column("current", "V", rig.full_scale or nice_above(current_top_v * MARGIN), rig)
    if rig.sync.kind == "none":
        return (first,)
    top = rig.sync.full_scale or nice_above(sync_top * MARGIN)
    return first, _column("sync", rig.sync.unit, top, rig)


def _column(name: str, unit: str, full_scale: float, rig: RigSpec) -> Column:
    """Return a column of the rig's converter; one without sign has its zero in the middle."""
    half = 1 << (rig.bits - 1)
    if rig.bipolar:
        return Column(name, unit, full_scale / half, 0.0, -half, half - 1)
    return Column(name, unit, full_scale / half, -full_scale, 0, 2 * half - 1)


def low_pass(values: NDArray[np.float64], corner_hz: float, rate_hz: float) -> NDArray[np.float64]:
    """Return `values` after a first-order low-pass, starting settled."""
    from scipy.signal import lfilter

    keep = float(np.exp(-2.0 * np.pi * corner_hz / rate_hz))
    filtered, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(filtered)


def _analogue(run: VirtualRun, rig: RigSpec, t: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the voltage at the converter's input before its low-pass."""
    noise = rng.standard_normal(len(t))
    hum_phase, hash_phase = rng.uniform(0.0, 2.0 * np.pi, 2)
    if rig.quantity == "battery-voltage":
        volts = np.interp(t, run.time_s, run.volts)
        return volts + 1e-3 * rig.clamp_mv_per_a * rig.noise_a * 0.1 * noise
    amps = np.interp(t, run.time_s, run.current_a if rig.quantity == "current" else run.battery_a)
    shaft = run.bench.starter.gear_ratio * turned(run)
    phase = np.interp(t, run.time_s, shaft)
    bars = run.bench.starter.commutator_bars * phase + hash_phase
    amps = amps * (1.0 + rig.hash_share * (np.sin(bars) + rig.hash_harmonic * np.sin(2.0 * bars + 0.7))
                   + rig.eccentric_share * np.sin(phase))
    hum = rig.hum_a * (np.sin(2.0 * np.pi * rig.mains_hz * t + hum_phase)
                       + 0.3 * np.sin(6.0 * np.pi * rig.mains_hz * t + hum_phase))
    seen = amps * (1.0 + rig.gain_error) + hum + rig.noise_a * noise
    if rig.limit_a is not None:
        seen = np.clip(seen, -rig.limit_a, rig.limit_a)
    seen = seen + rig.offset_a + rig.drift_a_per_s * t
    return np.asarray(rig.polarity * seen * rig.clamp_mv_per_a * 1e-3)


def turned(run: VirtualRun) -> NDArray[np.float64]:
    """Return the armature's angle as seen at the crank, rad, shape (steps,)."""
    step = run.time_s[1] - run.time_s[0] if len(run.time_s) > 1 else 0.0
    return np.cumsum(run.armature_rad_s) * step


def nice_above(value: float) -> float:
    """Return the next of 1, 2, 5, 10 and so on that is not below `value`."""
    if value <= 0.0:
        return 1.0
    decade = 10.0 ** np.floor(np.log10(value))
    return float(next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= value))


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
    return np.asarray((-1.0 if lead_spec.inverted else 1.0) * signal + lead_spec.noise * rng.standard_normal(len(t)))


def _sparks(run: VirtualRun, spec: SyncLead, t: NDArray[np.float64], interval_s: float, rng: np.random.Generator,
            ) -> NDArray[np.float64]:
    position = run.bench.engine.firing_order.index(spec.cylinder)
    fire = run.bench.engine.fire_deg[position]
    every = 360.0 if spec.kind == "waste-spark" else run.bench.engine.cycle_deg
    signal = np.zeros(len(t))
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
    start = int(np.searchsorted(t, at))
    stop = int(np.searchsorted(t, at + max(spec.burn_ms * 1e-3, 6e-3 * spec.peak_ms))) + 1
    since = t[start:stop] - at
    tail = np.where(since < spec.burn_ms * 1e-3, BURN_SHARE * peak * (1.0 - 0.3 * since / (spec.burn_ms * 1e-3)), 0.0)
    shape = np.maximum(peak * np.exp(-since / (spec.peak_ms * 1e-3)), tail)
    if spec.peak_held and len(shape) and since[0] <= interval_s:
        shape[0] = peak
    signal[start:stop] = np.maximum(signal[start:stop], shape)
