"""Channels over crank angle instead of time, from an encoder or a toothed wheel recorded beside them.

A stand records any number of channels at one rate, one of them the pulses of an encoder or crank sensor. Its edges give
the crank's angle at every sample; the others are then read at even steps of angle. In-cylinder pressures give each
cylinder's peak, cycle by cycle, beside what the current says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.motion.wheel import Motion, Wheel, motion_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from crankfold.analysis.capture import Capture
    from crankfold.analysis.engine import Engine

HYSTERESIS = 0.2  # of the pulses' height, about their middle: noise makes no edges
HEIGHT_PERCENTILES = (5.0, 95.0)  # of the samples, taken for the pulses' two levels
LEAST_PER_PULSE = 2.5  # samples a pulse at the fastest; fewer lose edges
NEAR_TDC_DEG = 60.0  # on either side of a compression TDC where its peak pressure is looked for
REST_DEG = (-200.0, -150.0)  # before TDC, late in the intake stroke: pressure there is taken for the air's


@dataclass(frozen=True, eq=False)
class OverAngle:
    """Channels at even steps of crank angle.

    Parameters
    ----------
    angle_deg : ndarray, shape (m,)
        Unwrapped; 0 as in the motion.
    time_s : ndarray, shape (m,)
        When the crank was there.
    values : ndarray, shape (m, channels)
        In the channels' units; NaN where samples are missing.
    names
        Of the channels.
    """

    angle_deg: NDArray[np.float64]
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    names: tuple[str, ...]

    def column(self, name: str) -> NDArray[np.float64]:
        """Return a channel, shape (m,).

        Raises
        ------
        InputError
            There is none of that name.
        """
        if name not in self.names:
            raise InputError(f"there is no channel {name!r} over angle; there are {', '.join(self.names)}")
        return self.values[:, self.names.index(name)]


def pulse_times(pulses: ArrayLike, rate_hz: float) -> NDArray[np.float64]:
    """Return when a pulse train rises, seconds from its first sample, read between samples.

    Parameters
    ----------
    pulses : array_like, shape (n,)
        In any unit, of either polarity.

    Raises
    ------
    InputError
        There are no pulses, or too few samples for them.

    >>> pulse_times([0, 0, 1, 1, 0, 0, 1, 1, 0, 0, 1, 1], 2.0).tolist()
    [0.75, 2.75, 4.75]
    """
    x = np.asarray(pulses, dtype=np.float64)
    if x.ndim != 1 or len(x) < 4 or not np.isfinite(x).all():
        raise InputError(f"pulses of shape {x.shape}: give one column without gaps")
    low, high = np.percentile(x, HEIGHT_PERCENTILES)
    middle, reach = (low + high) / 2.0, HYSTERESIS * (high - low)
    state = np.where(x > middle + reach, 1, np.where(x < middle - reach, -1, 0))
    known = np.flatnonzero(state)
    if high <= low or len(known) < 2:
        raise InputError("the encoder's channel shows no pulses; check its supply and wiring")
    rises = known[1:][(state[known[1:]] > 0) & (state[known[:-1]] < 0)]
    starts = known[:-1][(state[known[1:]] > 0) & (state[known[:-1]] < 0)]
    if len(rises) > 1 and np.percentile(np.diff(rises), 5) < LEAST_PER_PULSE:
        raise InputError(f"only {np.percentile(np.diff(rises), 5):.1f} samples a pulse; sample faster, "
                         "or use fewer pulses a turn")
    share = (middle - x[starts]) / (x[rises] - x[starts])
    out: NDArray[np.float64] = (starts + share * (rises - starts)) / rate_hz
    return out


def over_angle(capture: Capture, wheel: Wheel, encoder: str, *, step_deg: float = 1.0) -> tuple[OverAngle, Motion]:
    """Return all other channels of a capture over crank angle, and the motion that the encoder tells.

    Raises
    ------
    InputError
        There is no channel of that name, its pulses do not fit the wheel, or the step cannot be.
    """
    pulses = capture.column(encoder)
    if pulses is None:
        names = ", ".join(c.name for c in capture.channels)
        raise InputError(f"the capture has no channel {encoder!r}; it has {names}")
    if not 0.05 <= step_deg <= 30.0:
        raise InputError(f"a step of {step_deg:g} degrees isn't possible; give 0.05 to 30")
    motion = motion_of(pulse_times(pulses, capture.rate_hz), wheel)
    first = np.ceil(motion.angle_deg[0] / step_deg) * step_deg
    angle = np.arange(first, motion.angle_deg[-1], step_deg)
    time_s = np.interp(angle, motion.angle_deg, motion.time_s)
    others = [k for k, channel in enumerate(capture.channels) if channel.name != encoder]
    clock = np.arange(len(capture.samples)) / capture.rate_hz
    values = np.column_stack([np.interp(time_s, clock, capture.samples[:, k]) for k in others]) if others else np.zeros(
        (len(angle), 0))
    return OverAngle(angle, time_s, values, tuple(capture.channels[k].name for k in others)), motion


def peak_pressures(record: OverAngle, engine: Engine, tdc_deg: float,
                   channels: dict[int, str]) -> dict[int, NDArray[np.float64]]:
    """Return each cylinder's peak gauge pressure cycle by cycle, in the channel's unit, by cylinder number.

    Parameters
    ----------
    tdc_deg
        Compression TDC of the order's first cylinder, in the record's degrees.
    channels
        Name of the pressure channel by cylinder number.

    The pressure late in the intake stroke is taken for the air's. Cycles that are not whole are left out.

    Raises
    ------
    InputError
        A cylinder is not the engine's, or there is no whole cycle.
    """
    found = {}
    for cylinder, name in channels.items():
        pressure = record.column(name)
        top = tdc_deg + float(engine.firing_deg[engine.position_of(cylinder)])
        first = int(np.ceil((record.angle_deg[0] - REST_DEG[0] - top) / engine.cycle_deg))
        last = int(np.floor((record.angle_deg[-1] - NEAR_TDC_DEG - top) / engine.cycle_deg))
        peaks = []
        for turn in range(first, last + 1):
            off = record.angle_deg - top - turn * engine.cycle_deg
            near, rest = np.abs(off) <= NEAR_TDC_DEG, (off >= REST_DEG[0]) & (off <= REST_DEG[1])
            peaks.append(float(pressure[near].max() - np.median(pressure[rest])))
        if not peaks:
            raise InputError(f"there is no whole compression of cylinder {cylinder}; crank longer, or check TDC")
        found[cylinder] = np.array(peaks)
    return found
