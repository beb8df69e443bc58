"""The virtual engine's pick-ups beside the simulated circuits of the hardware notes: the same volts on the pin."""

from __future__ import annotations

import importlib
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crankfold.analysis import Capture, Channel, Engine, SyncSpec, analyse
from crankfold.plugins.virtual.engine import VirtualRun, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.pickups import Pickup, pin_volts
from crankfold.plugins.virtual.signals import RigSpec, record
from crankfold.plugins.virtual.specs import Bench, CylinderSpec, KeySpec

CIRCUITS = Path(__file__).resolve().parents[2] / "hardware_notes" / "circuits"
AFTER_S = np.array([1e-6, 5e-6, 1e-5, 2e-5, 5e-5, 1e-4, 2e-4, 5e-4, 1e-3, 1.2e-3, 1.5e-3, 2e-3, 4e-3])


@pytest.fixture(scope="module")
def ngspice():
    sys.path.insert(0, str(CIRCUITS))
    try:
        return importlib.import_module("ngspice")
    finally:
        sys.path.remove(str(CIRCUITS))


@pytest.mark.parametrize(("at_s", "kilovolts"), [(5.02e-3, 10.0), (35.02e-3, 2.5)])
@pytest.mark.parametrize(("pickup", "node", "turned", "drain", "interval_s", "within"), [
    ("foil", "v(right)", False, "100k", 1e-4, 0.02), ("foil", "v(upside)", True, "100k", 1e-4, 0.08),
    ("foil", "v(right)", False, "470k", 5e-4, 0.02), ("foil", "v(upside)", True, "470k", 5e-4, 0.08),
    ("plain", "v(flat)", False, "100k", 1e-4, 0.09)])
def test_the_pin_sees_what_the_circuit_gives(ngspice, at_s: float, kilovolts: float, pickup: Pickup, node: str,
                                             turned: bool, drain: str, interval_s: float, within: float) -> None:
    waves = ngspice.waveforms("capacitive-pickup.cir", drain=drain)
    circuit = np.interp(at_s + AFTER_S, waves["time"], waves[node])
    ours = pin_volts(pickup, AFTER_S, kilovolts, turned=turned, interval_s=interval_s)
    assert np.abs(ours - circuit).max() < within * circuit.max()


def test_the_trigger_wire_dips_as_the_circuit_does(ngspice) -> None:
    waves = ngspice.waveforms("coil-trigger.cir")
    after_s = AFTER_S[(AFTER_S >= 1e-5) & (AFTER_S < 1.9e-3)]
    circuit = np.interp(8.02e-3 + after_s, waves["time"], waves["v(pin)"])
    assert np.abs(5.0 + pin_volts("trigger", after_s, 10.0) - circuit).max() < 0.3


def test_a_board_reads_the_volts_that_the_notes_table_promises(ngspice) -> None:
    """What a board sees at 10,000 samples a second, whenever it happens to sample (the table *capacitive*)."""
    waves = ngspice.waveforms("capacitive-pickup.cir")
    for phase in np.arange(10) * 1e-5:
        times = phase + np.arange(40) * 1e-4
        promised = np.interp(5.02e-3 + times, waves["time"], waves["v(right)"]).max()
        assert pin_volts("foil", times, 10.0).max() == pytest.approx(promised, rel=0.01)


@pytest.fixture(scope="module")
def cranked() -> VirtualRun:
    engine = Bench().engine.with_cylinder(2, CylinderSpec(leak_mm2=60.0))
    return simulate(replace(Bench(), engine=engine, key=KeySpec(0.6, 4.6, 500.0)), 5.2, seed=1603)


def sync_of(run: VirtualRun, lead: SyncLead, rate_hz: float) -> np.ndarray:
    taken = record(run, RigSpec(rate_hz=rate_hz, sync=lead), seed=1603)
    return taken.columns[1].values(taken.codes[:, 1])


def lead_of(pickup: Pickup, *, turned: bool = False) -> SyncLead:
    kind = "single-spark" if pickup == "trigger" else "waste-spark"
    return SyncLead(kind, 3, inverted=turned, pickup=pickup, noise=0.005, full_scale=10.0)


@pytest.mark.parametrize(("pickup", "turned", "rate_hz"), [("foil", False, 10_000.0), ("foil", True, 2000.0),
                                                           ("trigger", False, 10_000.0)])
def test_the_virtual_pickups_name_the_dead_cylinder(cranked: VirtualRun, pickup: Pickup, turned: bool,
                                                    rate_hz: float) -> None:
    lead = lead_of(pickup, turned=turned)
    taken = record(cranked, RigSpec(rate_hz=rate_hz, sync=lead), seed=1603)
    samples = np.column_stack([column.values(taken.codes[:, at]) for at, column in enumerate(taken.columns)])
    capture = Capture(samples / [10e-3, 1.0], rate_hz, (Channel("current", "A"), Channel("sync", "V")))
    result = analyse(capture, Engine((1, 3, 4, 2)), sync=SyncSpec(lead.kind, 3))
    assert result.low == (2,)
    assert result.sync is not None and result.sync.confidence > 0.99


def test_what_is_held_is_never_negative_and_what_is_not_misses_sparks(cranked: VirtualRun) -> None:
    for turned in (False, True):
        assert sync_of(cranked, lead_of("foil", turned=turned), 10_000.0).min() >= 0.0
    held, plain = (sync_of(cranked, lead_of(pickup), 2000.0) for pickup in ("foil", "plain"))
    rises = [int(np.sum((volts[1:] > 0.25) & (volts[:-1] <= 0.25))) for volts in (held, plain)]
    assert rises[0] >= 14 > rises[1]
