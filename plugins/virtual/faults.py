"""What is wrong with a virtual engine: the settings that name faults, put into its cylinders."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import SettingError
from crankfold.analysis import quoted
from crankfold.plugins.virtual.settings import BOARD
from crankfold.plugins.virtual.specs import CylinderSpec, GasketLeak

if TYPE_CHECKING:
    from crankfold.plugins.virtual.settings import Values
    from crankfold.plugins.virtual.specs import EngineSpec

DEAD_LEAK_MM2 = 60.0  # a spark plug out leaves this
GASKET_MM2 = 6.0  # a burnt bridge between two bores, by default; both fall to about a third
UNSTEADY = 1.2  # leak's spread in its logarithm: a valve that seats in one cycle and hangs in the next
UNSTEADY_LEAK_MM2 = 2.5  # round which it changes where no other leak is asked for
LEAK_SPREAD, CLEARANCE_SPREAD = 0.12, 0.004  # between the healthy cylinders of one engine: one to three percent


def known(engine: EngineSpec, name: str, cylinder: int | str) -> int:
    """Return a cylinder's number, sure to be one of the engine's.

    Raises
    ------
    SettingError
        It is none; the setting's name is in the message.
    """
    order = engine.firing_order
    try:
        number = int(cylinder)
    except ValueError as error:
        raise SettingError(f"{BOARD}: {name} names cylinder {quoted(cylinder)}", "give its number") from error
    if number not in order:
        raise SettingError(f"{BOARD}: {name} names cylinder {number}, which the engine lacks",
                           f"its firing order is {'-'.join(map(str, order))}")
    return number


def healthy(engine: EngineSpec, seed: int) -> EngineSpec:
    """Return the engine with cylinders that differ as sound ones do."""
    rng = np.random.default_rng([seed, 3])
    sound = CylinderSpec()
    return replace(engine, cylinders=tuple(
        replace(sound, leak_mm2=sound.leak_mm2 * float(np.exp(rng.normal(0.0, LEAK_SPREAD))),
                clearance=float(np.exp(rng.normal(0.0, CLEARANCE_SPREAD)))) for _ in engine.firing_order))


def with_faults(engine: EngineSpec, v: Values) -> EngineSpec:
    """Return the engine with the faults that the settings ask for, leaks sized by what they leave excepted.

    Raises
    ------
    SettingError
        A fault names a cylinder that the engine lacks.
    """
    engine = replace(engine, decompressor_revs=v.number("decompressor", 0.0, 0.0, 100.0))
    engine = _firing(engine, v)
    for cylinder, percent in v.pairs("carbon", ":"):
        engine = _changed(engine, "carbon", cylinder, clearance=_share(v, "carbon", percent))
    for name, changes in (("inlet-lobe", {"filling": 0.0}), ("exhaust-lobe", {"exhaust": 0.0}),
                          ("unsteady", {"leak_scatter": UNSTEADY, "leak_mm2": UNSTEADY_LEAK_MM2}),
                          ("dead", {"leak_mm2": DEAD_LEAK_MM2})):
        for number in v.cylinders(name):
            engine = _changed(engine, name, number, **changes)
    if v.given("gasket"):
        pair = [known(engine, "gasket", cylinder) for cylinder in v.cylinders("gasket")]
        if len(set(pair)) != 2:
            raise SettingError(f"{BOARD}: gasket={v.text('gasket')} names no two cylinders", "write it like 2+3")
        engine = replace(engine, gasket=GasketLeak((pair[0], pair[1]), GASKET_MM2))
    return engine


def _firing(engine: EngineSpec, v: Values) -> EngineSpec:
    """Return the engine with the cylinders that burn, from when and how strongly."""
    if not v.given("fires"):
        return engine
    from_cycle, burn = v.number("fires", 0.0, 0.0, 1000.0), _share(v, "burn", v.number("burn", 100.0, 1.0, 200.0))
    named = [known(engine, "fires-cylinder", x) for x in v.cylinders("fires-cylinder")]
    for cylinder in named or engine.firing_order:
        engine = _changed(engine, "fires-cylinder", cylinder, fires_from_cycle=from_cycle, burn=burn)
    return engine


def _share(v: Values, name: str, percent: float) -> float:
    if not 1.0 <= percent <= 200.0:
        raise SettingError(f"{BOARD}: {name}={v.text(name)} leaves {percent:g} percent", "give 1 to 200 percent")
    return percent * 0.01


def _changed(engine: EngineSpec, name: str, cylinder: int | str, **changes: Any) -> EngineSpec:
    """Return the engine with something of one cylinder changed."""
    number = known(engine, name, cylinder)
    own = engine.by_position()[engine.firing_order.index(number)]
    return engine.with_cylinder(number, replace(own, **changes))
