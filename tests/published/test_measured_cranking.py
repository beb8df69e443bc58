"""The generator's engines, and the workshop's, against measured crank motion and published starters.

The ranges that engines are drawn from were tuned to these figures, on other seeds than the one here.

Source of every figure that is not marked otherwise: measured crank motion of engines of open engine-control projects'
test recordings: github.com/FOME-Tech/fome-fw, github.com/rusefi/rusefi, unit_tests/tests/trigger/resources. Figures
only, of six records of five engines with four and six cylinders; no data.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankfold.plugins.virtual.engine import physics, simulate
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.plugins.virtual.specs import KeySpec

GENERATOR = Path(__file__).parent.parent / "generator"
SEED = 6065
HUMP_SPEED = ((0.53, 0.71), (0.81, 0.86), (0.90, 0.93), (0.94, 1.01))  # first four humps over the steady speed
HUMP_GIVE = 0.03  # what the fleet's medians may lie outside: five engines are few
RIPPLE = (0.45, 0.86)  # least over most speed within a hump; 0.58 and 0.68 for fours, 0.78 for a six
SCATTER = (0.002, 0.01)  # of the times of whole cycles
BEGINNING = 1.25  # one in ten is above; a real six has 1.66 to 1.84, and 1.05 at most without what slows the run-up
IDLE_A, IDLE_SHARE = (50.0, 90.0), (0.2, 0.4)  # current of a starter that idles, and over the tops of the humps
LOCK_NM_A, LOAD_NM_A = (0.015, 0.032), (0.028, 0.042)  # N m/A; see the test
LEFT_SHARE, LEFT_A = (0.02, 0.05), 20.0  # current left after release over the tops of the humps, and at most


@pytest.fixture(scope="module")
def draw_fleet() -> Iterator[Callable[[int], list[tuple[Any, Any]]]]:
    """Draw ordinary healthy engines of four to six cylinders and return their runs with their figures."""
    before = set(sys.modules)
    sys.path.insert(0, str(GENERATOR))
    from motion import motion
    from random_bench import LAYOUTS, Wanted, draw

    like = {name: row for name, row in LAYOUTS.items() if 4 <= len(row[0]) <= 6 and not row[1]}
    wanted = Wanted(like, faults=("none",), crank_s=(3.0, 4.5))

    def fleet(count: int) -> list[tuple[Any, Any]]:
        runs = [draw(np.random.default_rng([SEED, k]), wanted).run for k in range(count)]
        return [(run, motion(run)) for run in runs]

    yield fleet
    sys.path.remove(str(GENERATOR))
    for name in set(sys.modules) - before:  # its modules go by bare names that others may use
        if GENERATOR in Path(str(getattr(sys.modules[name], "__file__", "") or "/")).parents:
            del sys.modules[name]


@pytest.fixture(scope="module", params=[20, pytest.param(60, marks=pytest.mark.slow)])
def fleet(request: pytest.FixtureRequest, draw_fleet: Callable[[int], list[tuple[Any, Any]]]) -> list[tuple[Any, Any]]:
    return draw_fleet(request.param)


@pytest.mark.timeout(300)
def test_run_up(fleet: list[tuple[Any, Any]]) -> None:
    speeds = np.array([figures.hump_speed for _, figures in fleet])
    for (low, high), middle in zip(HUMP_SPEED, np.median(speeds, axis=0), strict=True):
        assert low - HUMP_GIVE <= middle <= high + HUMP_GIVE
    assert np.quantile(speeds[:, 0], 0.25) < HUMP_SPEED[0][1] and np.quantile(speeds[:, 0], 0.75) > HUMP_SPEED[0][0]


@pytest.mark.timeout(300)
def test_without_its_stiffness_an_engine_runs_up_as_none_that_was_measured(fleet: list[tuple[Any, Any]]) -> None:
    from motion import motion

    bench = fleet[0][0].bench
    easy = replace(bench, engine=replace(bench.engine, stiff_nm=0.0),
                   starter=replace(bench.starter, reaction_amps=float("inf")))
    found = motion(simulate(easy, bench.key.off_s + 0.3, fleet[0][0].seed))
    assert found.hump_speed[0] > HUMP_SPEED[0][1] and found.hump_speed[1] > HUMP_SPEED[1][1]
    assert found.beginning < 1.1


@pytest.mark.timeout(300)
def test_ripple_within_a_hump(fleet: list[tuple[Any, Any]]) -> None:
    ripples = np.array([figures.ripple for _, figures in fleet])
    assert np.mean((ripples >= RIPPLE[0]) & (ripples <= RIPPLE[1])) >= 0.85
    assert np.ptp(ripples) > 0.6 * (RIPPLE[1] - RIPPLE[0])


@pytest.mark.timeout(300)
def test_scatter_from_cycle_to_cycle(fleet: list[tuple[Any, Any]]) -> None:
    scatters = np.array([figures.scatter for _, figures in fleet])
    assert SCATTER[0] <= np.nanmedian(scatters) <= SCATTER[1]
    assert np.nanquantile(scatters, 0.9) < 2.0 * SCATTER[1]


@pytest.mark.timeout(300)
def test_current_while_running_up_and_after_release(fleet: list[tuple[Any, Any]]) -> None:
    beginnings = np.array([figures.beginning for _, figures in fleet])
    assert np.median(beginnings) > 1.08 and np.quantile(beginnings, 0.9) > BEGINNING
    left = np.array([[figures.left_a, figures.left_a / figures.tops_a] for _, figures in fleet])
    switched_on = left[:, 0] > 0.1
    assert np.mean(switched_on) > 0.5 and left[:, 0].max() < LEFT_A + 0.01
    assert LEFT_SHARE[0] <= np.median(left[switched_on, 1]) <= LEFT_SHARE[1]


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", ["pump", "launch"])
def test_the_workshop_s_four_and_six_run_up_as_measured_ones(name: str, fleet: list[tuple[Any, Any]]) -> None:
    from motion import motion

    bench = replace(FLEET[name].bench, key=KeySpec(0.7, 4.7))
    found = [motion(simulate(bench, 5.2, seed)) for seed in range(8)]
    for (low, high), middle in zip(HUMP_SPEED, np.median([f.hump_speed for f in found], axis=0), strict=True):
        assert low - HUMP_GIVE <= middle <= high + HUMP_GIVE
    assert RIPPLE[0] <= np.median([f.ripple for f in found]) <= RIPPLE[1]
    assert 0.5 * SCATTER[0] <= np.median([f.scatter for f in found]) <= SCATTER[1]
    assert 5.0 < found[0].left_a < LEFT_A and found[0].left_a > 0.5 * LEFT_SHARE[0] * found[0].tops_a


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", ["pump", "launch", "vee", "eight"])
def test_the_workshop_s_starters_idle_and_saturate_as_published_ones(name: str) -> None:
    """Torque constants 15-32 mN m/A held, 28-42 mN m/A under load: figures of published starters, handed down.

    The idle current is of the recordings named above; the key is held while the engine runs.
    """
    from crankfold.plugins.virtual.physics import field

    bench = replace(FLEET[name].bench, key=KeySpec(0.7, 5.2))
    run = simulate(bench, 4.7, 3)
    c, steady = physics(bench), run.current_a[(run.time_s > 2.2) & (run.time_s < 4.5)]
    assert LOCK_NM_A[0] <= field(c, float(run.current_a.max())) <= LOCK_NM_A[1]
    assert LOAD_NM_A[0] <= field(c, float(steady.mean())) <= LOAD_NM_A[1]
    fires = replace(bench.engine, cylinders=tuple(replace(x, fires_from_cycle=2.0) for x in bench.engine.by_position()))
    ran = simulate(replace(bench, engine=fires), 4.7, 3)
    idle = ran.current_a[-2000:].mean() - bench.starter.hold_in_a - sum(x.amps for x in bench.battery.consumers)
    assert np.all(ran.clutch_nm[-2000:] == 0.0)
    assert IDLE_A[0] <= idle <= IDLE_A[1] + 0.5
    assert IDLE_SHARE[0] - 0.01 <= idle / np.quantile(steady, 0.97) <= IDLE_SHARE[1]
