"""What a rig would record of a virtual run: clamp, converter, sampling clock and sync lead with all their faults.

``record(run, RigSpec(rate_hz=5000, sync=SyncLead("waste-spark", cylinder=1)), seed=1)`` gives codes and columns;
``columns[0].values(codes[:, 0])`` is the clamp's voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from crankfold.plugins.virtual.leads import SyncLead, lead, turned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.plugins.virtual.engine import VirtualRun

Quantity = Literal["current", "battery-current", "battery-voltage"]
QUANTITIES: tuple[Quantity, ...] = ("current", "battery-current", "battery-voltage")
DENSE_HZ = 20_000.0  # analogue signals are made at least this densely, so that slow converters alias as real ones do
MARGIN = 1.02  # the converter's top code lies this far inside its full scale


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
    remanence
        What the clamp's core keeps of the largest current once that is gone, as a share: its zero is shifted so far.
    bits, full_scale, bipolar
        The converter; full scale in volts at its input, None: one that fits the signal.
    skew_s
        Time from the sampling of the current to that of the sync channel.
    late, late_s
        A cheap board's share of samples taken later than their place says, and by how much at most.
    lost
        The share of samples that never arrive.
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
    remanence: float = 0.0
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
    late: float = 0.0
    late_s: float = 0.005
    lost: float = 0.0
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
    arrived : ndarray, shape (samples,), bool
        False for samples that were lost on the way.
    """

    codes: NDArray[Any]
    columns: tuple[Column, ...]
    rate_hz: float
    arrived: NDArray[np.bool_]


def record(run: VirtualRun, rig: RigSpec, seed: int = 0) -> Recording:
    """Return the codes that the rig takes of the run; the same seed gives the same noise."""
    rng = np.random.default_rng([seed, 2])
    rate = rig.rate_hz * (1.0 + rig.rate_error)
    dense = max(1, int(np.ceil(DENSE_HZ / rate)))
    count = max(int(run.time_s[-1] * rate), 1)
    fine = np.arange(count * dense) / (rate * dense)
    analogue = low_pass(_analogue(run, rig, fine, rng), rig.bandwidth_hz, rate * dense)
    place, arrived = _board(rig, count, dense, seed)
    signals = [analogue[place]]
    if rig.sync.kind != "none":
        signals.append(lead(run, rig.sync, fine[::dense] + rig.skew_s, 1.0 / rate, rng)[place // dense])
    tops = [float(np.abs(signal).max()) for signal in signals]
    made = columns(rig, *tops)
    codes = np.column_stack([column.codes(signal) for column, signal in zip(made, signals, strict=True)])
    return Recording(codes.astype(np.int16 if rig.bipolar else np.uint16), made, rate, arrived)


def _board(rig: RigSpec, count: int, dense: int, seed: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return which of the dense instants each sample was taken at, and whether it arrived."""
    rng = np.random.default_rng([seed, 6])
    is_late, delay, chance = rng.uniform(size=count) < rig.late, rng.uniform(size=count), rng.uniform(size=count)
    steps = np.round(delay * rig.late_s * rig.rate_hz * (1.0 + rig.rate_error) * dense).astype(np.int64)
    place = np.arange(count) * dense + np.where(is_late, steps, 0)
    return np.minimum(place, count * dense - 1), chance >= rig.lost


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
    seen = amps * (1.0 + rig.gain_error) + kept(amps, rig.remanence) + hum + rig.noise_a * noise
    if rig.limit_a is not None:
        seen = np.clip(seen, -rig.limit_a, rig.limit_a)
    seen = seen + rig.offset_a + rig.drift_a_per_s * t
    return np.asarray(rig.polarity * seen * rig.clamp_mv_per_a * 1e-3)


def kept(amps: NDArray[np.float64], remanence: float) -> NDArray[np.float64]:
    """Return what a clamp's core adds to the current: nothing at its peak so far, all it keeps when that is gone."""
    peak = np.maximum.accumulate(np.abs(amps))
    return np.asarray(remanence * np.maximum(peak - np.abs(amps), 0.0))


def nice_above(value: float) -> float:
    """Return the next of 1, 2, 5, 10 and so on that is not below `value`."""
    if value <= 0.0:
        return 1.0
    decade = 10.0 ** np.floor(np.log10(value))
    return float(next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= value))
