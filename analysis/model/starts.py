"""Where a fit begins: windows from hump tops, first values, and the staged release of the unknowns.

Windows start at hump tops, where the clutch is surely closed and the speed is known from the current. The observer's
gain falls in steps to zero, and unknowns are freed in the order in which the trace can tell them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.model.parameters import (
    DRIFT,
    FRICTION,
    GLOBALS,
    HOLD_IN,
    LOG_ARMATURE,
    LOG_ENGINE,
    LOG_GEAR,
    LOG_KNEE,
    LOG_LAG,
    LOG_PUSH,
    LOG_STALL,
    RATIO,
    RULES,
    VISCOUS,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.model.options import FitOptions
    from crankfold.analysis.model.problem import Data
    from crankfold.analysis.signal import CycleTrack

TOP_TO_TDC_DEG = 12.0  # a hump's top lies about so far before its TDC
TOP_SPACING = 0.55  # of a hump: two tops nearer than this are one
TOP_HEIGHT = 0.35  # of the range: lower bumps are a leaking cylinder's or noise

FIRST_STAGE = (FRICTION,)
SECOND_STAGE = (*FIRST_STAGE, LOG_STALL, DRIFT, LOG_GEAR)
THIRD_STAGE = (*SECOND_STAGE, LOG_ARMATURE, LOG_ENGINE)
FOURTH_STAGE = (*THIRD_STAGE, LOG_KNEE)
FIFTH_STAGE = (*FOURTH_STAGE, VISCOUS)


@dataclass(frozen=True)
class Stage:
    """Gain of the observer (per second), steps of the solver, ridge between cylinders, and the globals set free."""

    gain: float
    steps: int
    ridge: float
    free: tuple[int, ...]


START_STAGES = (
    Stage(400.0, 5, 0.5, FIRST_STAGE),
    Stage(300.0, 4, 0.2, SECOND_STAGE),
    Stage(200.0, 5, 0.1, SECOND_STAGE),
    Stage(100.0, 5, 0.1, THIRD_STAGE),
    Stage(50.0, 5, 0.03, FOURTH_STAGE),
    Stage(25.0, 5, 0.03, FIFTH_STAGE),
    Stage(12.0, 5, 0.01, FIFTH_STAGE),
    Stage(6.0, 5, 0.01, FIFTH_STAGE),
    Stage(0.0, 10, 0.01, FIFTH_STAGE),
)
PLAIN_STAGES = (Stage(0.0, 20, 0.1, FIRST_STAGE), Stage(0.0, 20, 0.03, THIRD_STAGE), Stage(0.0, 20, 0.01, FIFTH_STAGE))


QUICK_STAGES = (Stage(50.0, 4, 0.01, FIFTH_STAGE), Stage(10.0, 4, 0.003, FIFTH_STAGE),
                Stage(0.0, 20, 0.0, (*FIFTH_STAGE, RATIO, LOG_PUSH, HOLD_IN, LOG_LAG)))


def polish_stages(options: FitOptions) -> tuple[Stage, ...]:
    """Return the stages of the final fit, all unknowns free at the end."""
    free = list(FIFTH_STAGE)
    free += [RATIO] * options.free_ratio + [LOG_PUSH] * options.free_push
    free += [HOLD_IN] * options.free_hold_in + [LOG_LAG] * options.free_lag
    return (Stage(50.0, 4, 0.01, FIFTH_STAGE), Stage(10.0, 4, 0.003, FIFTH_STAGE), Stage(0.0, 8, 0.0, FIFTH_STAGE),
            Stage(0.0, 25, 0.0, tuple(free)))


@dataclass(frozen=True)
class Menu:
    """First guesses that differ from start to start."""

    stall: float = 1.15  # over the in-rush peak
    lag_s: float = 0.015
    phase_deg: float = TOP_TO_TDC_DEG
    skip: int = 0  # tops to skip before the first window
    begin_s: float = 0.0  # seconds to skip besides: the first turn may be no steady cranking yet


MENUS = (
    Menu(),
    Menu(stall=1.5, lag_s=0.010),
    Menu(begin_s=1.6),
    Menu(stall=1.5, lag_s=0.010, begin_s=0.8),
    Menu(stall=1.15, lag_s=0.030, phase_deg=4.0, skip=1),
    Menu(stall=1.35, lag_s=0.007, phase_deg=20.0),
    Menu(stall=1.6, lag_s=0.020, skip=1),
    Menu(stall=1.0, lag_s=0.015, phase_deg=20.0, skip=2),
    Menu(stall=1.5, lag_s=0.030, phase_deg=0.0),
    Menu(stall=1.35, lag_s=0.010, phase_deg=4.0, skip=2),
)


def hump_tops(y: NDArray[np.float64], spacing: float) -> NDArray[np.int64]:
    """Return samples of the hump tops, the taller of two nearer than `TOP_SPACING` of a hump.

    Parameters
    ----------
    y : ndarray, shape (m,)
        Low-passed current.
    spacing
        Samples from hump to hump.
    """
    low, high = np.percentile(y, (2, 98))
    inner = np.flatnonzero((y[1:-1] >= y[:-2]) & (y[1:-1] > y[2:])) + 1
    inner = inner[y[inner] > low + TOP_HEIGHT * (high - low)]
    kept: list[int] = []
    for k in inner:
        if kept and k - kept[-1] < TOP_SPACING * spacing:
            if y[k] > y[kept[-1]]:
                kept[-1] = int(k)
        else:
            kept.append(int(k))
    return np.array(kept, dtype=np.int64)


def windows_from(tops: NDArray[np.int64], samples: int, *, first: int, spacing: float, length: float,
                 count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return starts and lengths of up to `count` windows, each on a top at least `spacing` after the last.

    A last window that the trace cuts is kept while more than half of it is there.
    """
    starts: list[int] = []
    lengths: list[int] = []
    wanted = float(first)
    for top in tops:
        if top < wanted or len(starts) == count:
            continue
        here = min(round(length), samples - int(top))
        if here < 0.5 * length:
            break
        starts.append(int(top))
        lengths.append(here)
        wanted = top + spacing
    return np.array(starts, dtype=np.int64), np.array(lengths, dtype=np.int64)


def expected_phases(track: CycleTrack, times_s: NDArray[np.float64], engine: Engine, offset: int,
                    top_to_tdc_deg: float) -> NDArray[np.float64]:
    """Return crank angles at window starts when the first of them lies before the TDC of position `offset`.

    The cycle count tells the angle between windows; each is then put the same way before its nearest TDC.
    """
    fire = engine.firing_deg
    cycles = track.at(times_s)
    rough = fire[offset] + engine.cycle_deg * (cycles - cycles[0])
    every = np.concatenate([fire + engine.cycle_deg * k for k in range(-1, int(np.ceil(cycles[-1] - cycles[0])) + 2)])
    nearest = every[np.argmin(np.abs(every[None, :] - rough[:, None]), axis=1)]
    out: NDArray[np.float64] = nearest - top_to_tdc_deg
    return out


def first_values(data: Data, engine: Engine, phases_deg: NDArray[np.float64], menu: Menu, inrush: float,
                 series: bool) -> NDArray[np.float64]:
    """Return the parameter vector a start begins with: equal cylinders, half the mean load as friction."""
    p = np.array([rule.start for rule in RULES])
    p[LOG_STALL] = np.log(menu.stall * inrush)
    p[LOG_ARMATURE] = p[LOG_ENGINE] = np.log(menu.lag_s)
    mean = float(data.y.mean())
    flux = float(np.tanh(mean / np.exp(p[LOG_KNEE]))) if series else 1.0
    p[FRICTION] = 0.5 * mean * flux
    amplitude = 1.2 * float(np.ptp(data.y)) * flux
    assert len(p) == GLOBALS
    return np.concatenate((p, np.full(engine.cylinders, amplitude), phases_deg))
