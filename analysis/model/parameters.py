"""The unknowns of the model: their places in the parameter vector, start values, priors, bounds and step limits.

Currents are in *model amperes*: the trace scaled so that its 95th percentile is 300, which makes the numbers below
serve any unit. Ten globals that must stay positive are logarithms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOG_STALL, DRIFT, LOG_GEAR, LOG_ARMATURE, LOG_ENGINE, LOG_KNEE = range(6)
FRICTION, VISCOUS, RATIO, HOLD_IN, LOG_LAG, LOG_PUSH = range(6, 12)
GLOBALS = 12  # then one amplitude a cylinder, then one phase a window

LEAST_DRIFT_SD = 0.003  # what is measured is the battery's; windings that warm up add as much
NOMINAL_LEVEL = 300.0  # model amperes at the trace's 95th percentile


@dataclass(frozen=True)
class Rule:
    """Start, prior spread (inf: none), bounds and largest step of one parameter."""

    start: float
    spread: float
    low: float
    high: float
    step: float


# The stall current's start and bounds are relative to the in-rush peak and are shifted by its logarithm.
RULES: tuple[Rule, ...] = (
    Rule(np.log(1.15), 0.30, np.log(0.80), np.log(3.1), 0.30),  # stall: a clipped in-rush hides up to 2.7 of it
    Rule(0.0, 0.05, -0.35, 0.35, 0.10),  # drift of the stall current, first to last
    Rule(0.0, 0.05, -0.45, 0.45, 0.10),  # log of the gear factor, over that from the mean speed
    Rule(np.log(0.015), 1.0, np.log(0.0007), np.log(0.25), 0.30),  # armature's inertia time, s
    Rule(np.log(0.015), 1.0, np.log(0.0007), np.log(0.25), 0.30),  # engine's inertia time, s
    Rule(np.log(220.0), 0.5, np.log(40.0), np.log(1500.0), 0.30),  # knee of the series flux, model amperes
    Rule(60.0, np.inf, 0.0, 600.0, 60.0),  # friction, model amperes
    Rule(0.0, 0.05, -0.05, 0.6, 0.10),  # viscous friction, of speed
    Rule(9.5, 3.0, 6.0, 20.0, 1.5),  # effective compression ratio
    Rule(0.0, 12.0, -40.0, 80.0, 15.0),  # hold-in current of the solenoid, and the zero's error
    Rule(np.log(0.003), 0.5, np.log(0.0004), np.log(0.015), 0.30),  # electrical lag, s
    Rule(np.log(0.90), 0.10, np.log(0.35), np.log(1.2), 0.10),  # push-back after TDC, of what the table says
)


@dataclass(frozen=True, eq=False)
class Box:
    """What every parameter may do: arrays of shape (parameters,)."""

    prior: NDArray[np.float64]
    weight: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    step: NDArray[np.float64]


def make_box(cylinders: int, phases_deg: NDArray[np.float64], inrush: float, amplitude: float,
             *, prior_scale: float, phase_weight: float, drift: float | None = None, drift_sd: float = 0.0) -> Box:
    """Return priors, bounds and step limits for all parameters.

    Parameters
    ----------
    phases_deg : ndarray, shape (windows,)
        Where the phases are expected.
    inrush, amplitude
        In-rush peak and typical load amplitude, model amperes.
    prior_scale, phase_weight
        Weight of a prior one spread off, and of a phase one degree off, as the root of a share of the variance.
    drift, drift_sd
        Where it was measured, the drift of the stall current and its standard deviation.
    """
    shift = np.zeros(GLOBALS)
    shift[LOG_STALL] = np.log(inrush)
    table = np.array([[r.start, r.spread, r.low, r.high, r.step] for r in RULES])
    if drift is not None:
        table[DRIFT, :2] = np.clip(drift, *table[DRIFT, 2:4]), max(drift_sd, LEAST_DRIFT_SD)
    prior = table[:, 0] + shift
    a = np.ones(cylinders)
    w = np.ones(len(phases_deg))
    return Box(
        prior=np.concatenate((prior, amplitude * a, phases_deg)),
        weight=np.concatenate((prior_scale / table[:, 1], 0.0 * a, phase_weight * w)),
        low=np.concatenate((table[:, 2] + shift, 0.0 * a, phases_deg - 90.0)),
        high=np.concatenate((table[:, 3] + shift, 20.0 * amplitude * a, phases_deg + 90.0)),
        step=np.concatenate((table[:, 4], 0.4 * amplitude * a, 12.0 * w)),
    )
