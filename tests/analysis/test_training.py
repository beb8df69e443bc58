"""The kernel that turns the engines of the prior, by closed forms and scipy; the weights' record; a leak that grows."""

from __future__ import annotations

import hashlib
import importlib
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import crankfold.analysis
from crankfold.analysis import Capture, Engine
from crankfold.analysis.posterior import estimate
from crankfold.analysis.signal import condition

ROOM = Path(crankfold.analysis.__file__).parent
TRAINING = ROOM / "training"
AMPERES = 150.0  # for a current of 1, the mean running current


@pytest.fixture(scope="module")
def kernel():
    """The prior and the kernel, compiled with g++ as on any laptop."""
    sys.path.insert(0, str(TRAINING))
    try:
        yield importlib.import_module("prior"), importlib.import_module("turning")
    finally:
        sys.path.remove(str(TRAINING))


def test_the_weights_are_those_of_the_record():
    told = re.search(r"sha256 `([0-9a-f]{64})`", (TRAINING / "record.md").read_text(encoding="utf-8"))
    assert told
    assert hashlib.sha256((ROOM / "posterior" / "weights.npz").read_bytes()).hexdigest() == told[1]


def plain(prior, **changes):
    """An engine of two cylinders without anything that a closed form has not."""
    made = prior.draw(np, np.random.default_rng(3), 2, 1)
    engine, cylinder = made.engine.copy(), made.cylinder.copy()
    off = ("RUN_UP", "BREAKAWAY", "STATIC", "RUBBING", "SHAKE", "LOAD_A", "LOAD_B", "DRAG", "REACTION", "BRUSH",
           "POLAR", "SAG", "WARM", "GASKET", "SCATTER", "HEAT", "VISCOUS", "GAS")
    usual = dict.fromkeys(off, 0.0) | {"BASE_FLUX": 1.0, "SHUTS_AT": -1.0, "FIRES_FROM": 1e9, "MANIFOLD": 1.0} | changes
    for name, value in usual.items():
        engine[prior.ENGINE.index(name)] = value
    for name, value in {"LEAK": 0.0, "FILL": 1.0, "FLUTTER": 0.0, "LOBE": 0.0, "LAW": 0.0}.items():
        cylinder[prior.CYLINDER.index(name)] = value
    return replace(made, engine=engine, cylinder=cylinder)


def test_a_starter_on_dry_friction_runs_up_as_the_differential_equation_says(kernel):
    """``L di/dt = s - i - (s - 1) w`` and ``(Ja + Je) dw/dt = i - friction``, by scipy's Runge-Kutta."""
    prior, turning = kernel
    drawn = plain(prior, DRY=0.6, STALL=3.0, COIL=0.004, ARMATURE=0.05, ENGINE=0.05)
    got = turning.turn_here(drawn)
    t = (np.arange(500) + 0.5) * turning.SAMPLE_S

    def rates(_, y):
        pull = y[0] - 0.6 if y[1] > 0 else max(y[0] - 0.6, 0.0)
        return [(3.0 - y[0] - 2.0 * y[1]) / 0.004, pull / 0.1]

    whole = solve_ivp(rates, (0.0, 1.0), [0.0, 0.0], t_eval=t, max_step=1e-3, rtol=1e-8)
    assert np.abs(got["current"][1:500, 0] - whole.y[0, 1:]).max() < 0.03  # of 3 at lock; after the first coil lag


def test_the_kernel_leaves_the_least_numbers_of_the_program_alone(kernel):
    kernel[1].library(2)
    assert (np.full(1, 5e-324) * np.ones(1)).item() > 0.0


def test_a_tight_cylinder_peaks_as_a_polytrope(kernel):
    """``p = (v at closing / v at TDC) ** gamma`` (closed form), gauge pressures in shares of the air's."""
    prior, turning = kernel
    drawn = plain(prior, DRY=0.6, STALL=3.0, COIL=0.004, ARMATURE=0.02, ENGINE=0.02)
    got = turning.turn_here(drawn)
    rod, gamma = (float(drawn.engine[prior.ENGINE.index(k), 0]) for k in ("ROD", "GAMMA"))
    for c in range(2):
        room, shut = (float(drawn.cylinder[prior.CYLINDER.index(k), c, 0]) for k in ("CLEARANCE", "IVC"))
        lift = 0.5 * (1 + rod - np.cos(shut) - np.sqrt(rod**2 - np.sin(shut) ** 2))
        assert got["peak"][c, 0] == pytest.approx(((room + lift) / room) ** gamma - 1.0, rel=0.03)


def test_the_more_it_leaks_the_lower_it_reads(kernel):
    """One cylinder of a sound four with ever larger a leak; all else as it was."""
    prior, turning = kernel
    many = prior.draw(np, np.random.default_rng(770003), 4, 60)
    row = {k: many.engine[j] for j, k in enumerate(prior.ENGINE)}
    peak = turning.turn_here(many)["peak"]
    sound = (row["FIRES_FROM"] > 1e8) & (many.pattern == 1) & ~many.two_stroke & (row["SHUTS_AT"] < 0) & (
        peak.min(axis=0) > 0.96 * peak.max(axis=0)) & (peak.max(axis=0) > 6.0)
    b = int(np.flatnonzero(sound)[0])
    medians = []
    for leak in (0.0, 3.0, 10.0, 40.0):
        cylinder = many.cylinder[:, :, b : b + 1].copy()
        cylinder[prior.CYLINDER.index("LEAK"), 2, 0] += leak
        one = replace(many, engine=many.engine[:, b : b + 1].copy(), cylinder=cylinder)
        current = turning.turn_here(one)["current"]
        samples = AMPERES * np.concatenate((np.zeros(200), current[:, 0], np.zeros(150)))
        said = estimate(condition(Capture.from_arrays(samples, rate_hz=1 / turning.SAMPLE_S)), Engine((1, 3, 4, 2)))
        assert said is not None
        medians.append(float(said.relative_percent.min()))
    assert medians == sorted(medians, reverse=True)
    assert medians[0] > 85.0
    assert medians[-1] < 60.0
