"""The simulated pick-ups on a virtual engine: what their circuits put on a pin names the right cylinder.

Each spark of a cranking is replaced by what ngspice says the pin then sees; a 10-bit board samples that, and the
analysis gets it. The sparks' voltages rise with the pressure between the electrodes.
"""

from __future__ import annotations

import importlib
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crankfold.analysis import Capture, Channel, Engine, SyncSpec, analyse
from crankfold.plugins.virtual.engine import VirtualRun, simulate
from crankfold.plugins.virtual.signals import RigSpec, record
from crankfold.plugins.virtual.specs import Bench, CylinderSpec, KeySpec

CIRCUITS = Path(__file__).resolve().parents[2] / "hardware_notes" / "circuits"
FOUR = Engine((1, 3, 4, 2))
DEAD, MARKED = 2, 3
SPARK_DEG = -7.0  # before TDC; service texts say 5 to 10 while cranking
STILL_KV, KV_PER_BAR = 1.9, 0.57  # 2.5 kV on exhaust, some 8 kV on compression
PULSE_S = 0.014
STEP_V, NOISE_V = 5.0 / 1024, 0.005  # of the board


@pytest.fixture(scope="module")
def ngspice():
    sys.path.insert(0, str(CIRCUITS))
    try:
        return importlib.import_module("ngspice")
    finally:
        sys.path.remove(str(CIRCUITS))


@pytest.fixture(scope="module")
def cranked() -> VirtualRun:
    engine = Bench().engine.with_cylinder(DEAD, CylinderSpec(leak_mm2=60.0))
    return simulate(replace(Bench(), engine=engine, key=KeySpec(0.6, 4.6, 500.0)), 5.2, seed=1601)


def sparks(run: VirtualRun, every_deg: float) -> list[tuple[float, float]]:
    """Return when the marked cylinder's plug fires, and at how many kilovolts."""
    position = FOUR.firing_order.index(MARKED)
    found = []
    for number in range(40):
        at = run.time_at(run.bench.engine.fire_deg[position] + SPARK_DEG + number * every_deg)
        if at is not None and 0.7 < at < 4.5:
            bar = 1.0 + float(np.interp(at, run.time_s, run.gauge_bar[:, position]))
            found.append((at, STILL_KV + KV_PER_BAR * max(bar, 0.1)))
    assert len(found) >= 6
    return found


def result_of(run: VirtualRun, pin, rate_hz: float, sync: SyncSpec):
    """Return the analysis of the engine's current beside a pin's voltage, as a 10-bit board takes both."""
    amperes = record(run, RigSpec(rate_hz=rate_hz), seed=1601)
    current = amperes.columns[0].values(amperes.codes[:, 0]) / 10e-3
    time_s = np.arange(len(current)) / rate_hz
    volts = pin(time_s) + np.random.default_rng(1601).normal(0.0, NOISE_V, len(time_s))
    counted = np.clip(np.round(volts / STEP_V), 0, 1023) * STEP_V
    capture = Capture(np.column_stack((current, counted)), rate_hz, (Channel("current", "A"), Channel("sync", "V")))
    return analyse(capture, FOUR, sync=sync)


def foil(ngspice, node: str, drain: str, fired: list[tuple[float, float]]):
    """Return the voltage at the pin behind a foil for those sparks, as a function of time."""
    waves = ngspice.waveforms("capacitive-pickup.cir", drain=drain)

    def pin(time_s):
        volts = np.zeros(len(time_s))
        for at, kilovolts in fired:
            since = time_s - at
            there = (since >= 0) & (since < PULSE_S)
            tall, short = (np.interp(start + since[there], waves["time"], waves[node]) for start in (5.02e-3, 35.02e-3))
            volts[there] += short + (tall - short) * (kilovolts - 2.5) / 7.5
        return volts

    return pin


def test_without_diodes_sparks_are_lost(ngspice, cranked) -> None:
    fired = sparks(cranked, 360.0)
    result = result_of(cranked, foil(ngspice, "v(flat)", "100k", fired), 10_000.0, SyncSpec("waste-spark", MARKED))
    assert result.sync is None or result.sync.events < len(fired) - 1


@pytest.mark.parametrize(("rate_hz", "drain"), [(10_000.0, "100k"), (2000.0, "470k")])
@pytest.mark.parametrize("node", ["v(right)", "v(upside)"])
def test_the_foil_names_the_dead_cylinder_on_waste_spark(ngspice, cranked, rate_hz, drain, node) -> None:
    fired = sparks(cranked, 360.0)
    result = result_of(cranked, foil(ngspice, node, drain, fired), rate_hz, SyncSpec("waste-spark", MARKED))
    assert result.low == (DEAD,)
    assert result.sync is not None
    assert result.sync.confidence > 0.99


@pytest.mark.parametrize(("node", "rest_v"), [("v(pin)", 5.0), ("v(plain)", 0.0)])
def test_the_trigger_wire_names_the_dead_cylinder(ngspice, cranked, node, rest_v) -> None:
    waves = ngspice.waveforms("coil-trigger.cir")
    fired = [at for at, _ in sparks(cranked, 720.0)]
    falls_s = 8.02e-3  # in the netlist, the first of three strikes

    def pin(time_s):
        volts = np.full(len(time_s), rest_v)
        for at in fired:
            since = time_s - at + falls_s
            there = (since > 4e-3) & (since < 29e-3)
            volts[there] = np.interp(since[there], waves["time"], waves[node])
        return volts

    result = result_of(cranked, pin, 10_000.0, SyncSpec("single-spark", MARKED))
    assert result.low == (DEAD,)
    assert result.sync is not None
    assert result.sync.confidence > 0.99
