"""The battery's voltage beside the current: Ohm's law gives back the resistances that went in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Capture, Channel, Engine, analyse, condition
from crankfold.analysis.answer import battery_beside
from crankfold.plugins.virtual.engine import simulate
from crankfold.plugins.virtual.signals import RigSpec, record
from crankfold.plugins.virtual.specs import BatterySpec, Bench, KeySpec

FOUR = Engine((1, 3, 4, 2))
RATE_HZ = 2000.0
DRAW = np.random.default_rng(18)


def made(battery_ohm: float, fall_v: float, cable_ohm: float = 0.0, *, noise_v: float = 0.01) -> Capture:
    """A cranking of humps, and a battery that obeys Ohm's law exactly: v = e(t) - r i, at the starter v - r_cable i."""
    since = np.arange(round(6 * RATE_HZ)) / RATE_HZ - 1.0
    humps = 150.0 + 50.0 * np.cos(2 * np.pi * 6.5 * since) + 450.0 * np.exp(-np.maximum(since, 0.0) / 0.06)
    on = (since >= 0.0) & (since < 4.0)
    current = np.where(on, humps, 0.0)
    emf = 12.6 - fall_v * np.clip(since / 4.0, 0.0, 1.0)
    battery = emf - battery_ohm * current
    noise = DRAW.standard_normal((3, len(since))) * np.array([[0.5], [noise_v], [noise_v]])
    samples = np.column_stack([current, battery, battery - cable_ohm * current]) + noise.T
    return Capture(samples, RATE_HZ, (Channel("current", "A"), Channel("battery", "V"),
                                      Channel("starter voltage", "V")))


@pytest.mark.parametrize(("battery_ohm", "fall_v"), [(0.004, 0.2), (0.008, 0.0), (0.012, 0.6)])
def test_ohms_law_gives_back_what_went_in(battery_ohm: float, fall_v: float) -> None:
    capture = made(battery_ohm, fall_v, 0.003)
    trace = condition(capture)
    found = battery_beside(capture, trace)
    assert found is not None
    assert found.battery_ohm == pytest.approx(battery_ohm, rel=0.03)
    assert found.cable_ohm == pytest.approx(0.003, rel=0.03)
    assert found.rest_v == pytest.approx(12.6, abs=0.02)
    lasted = (trace.steady_to_s - trace.steady_from_s) / 4.0
    assert found.drift == pytest.approx(-fall_v * lasted / found.emf_v, abs=0.002)
    assert found.drift_sd < 0.002
    peak_a = float(np.nanmax(trace.current))
    assert 550.0 < peak_a < 655.0  # 650 A, pooled down a little
    assert found.starter_ohm == pytest.approx(12.6 / peak_a - battery_ohm, rel=0.06)
    assert found.lowest_v == pytest.approx(12.6 - battery_ohm * 650.0, abs=1.0)  # one sample is no voltage


def test_without_amperes_the_drift_is_known_all_the_same() -> None:
    capture = made(0.008, 0.5)
    volts = replace(capture, channels=(Channel("current", "V"), *capture.channels[1:]))
    found, known = battery_beside(volts, condition(volts)), battery_beside(capture, condition(capture))
    assert found is not None
    assert known is not None
    assert (found.battery_ohm, found.starter_ohm, found.cable_ohm) == (None, None, None)
    assert found.drift == pytest.approx(known.drift, abs=0.003)


@pytest.mark.parametrize("wrong", [np.full(12_000, 12.6), DRAW.normal(12.0, 0.5, 12_000),
                                   12.6 + np.linspace(0.0, -3.0, 12_000)])
def test_a_wire_that_is_no_battery_is_said_and_not_used(wrong: np.ndarray) -> None:
    capture = made(0.008, 0.2)
    samples = capture.samples[:, :2].copy()
    samples[:, 1] = wrong
    capture = replace(capture, samples=samples, channels=capture.channels[:2])
    assert battery_beside(capture, condition(capture)) is None
    result = analyse(capture, FOUR)
    assert "battery-channel" in [caution.code for caution in result.cautions]
    assert result.health is not None
    assert result.health.battery_ohm is None


@pytest.mark.parametrize(("channel", "factor", "code"), [
    (Channel("battery", "counts"), 80.0, "battery-unit"), (Channel("battery", "V"), 0.25, "battery-scale")])
def test_a_divider_or_codes_without_a_scale_are_said(channel: Channel, factor: float, code: str) -> None:
    capture = made(0.008, 0.2)
    samples = capture.samples[:, :2] * np.array([1.0, factor])
    result = analyse(replace(capture, samples=samples, channels=(capture.channels[0], channel)), FOUR)
    assert code in [caution.code for caution in result.cautions]
    assert result.health is None or result.health.battery_ohm is None


def test_a_battery_that_falls_too_low_is_a_caution() -> None:
    low = analyse(made(0.03, 0.2), FOUR)
    fine = analyse(made(0.006, 0.2), FOUR)
    codes = [[caution.code for caution in result.cautions] for result in (low, fine)]
    assert ("low-voltage" in codes[0], "low-voltage" in codes[1]) == (True, False)


@pytest.fixture(scope="module")
def both() -> tuple[Capture, BatterySpec, float]:
    battery = BatterySpec(ohmic_ohm=0.0065, polarisation_ohm=0.003)
    bench = Bench(key=KeySpec(on_s=0.6, off_s=3.8), battery=battery)
    run = simulate(bench, 4.4, seed=4)
    clamp = record(run, RigSpec(rate_hz=5000.0), seed=4)
    posts = record(run, RigSpec(rate_hz=5000.0, quantity="battery-voltage"), seed=5)
    samples = np.column_stack([clamp.columns[0].values(clamp.codes[:, 0]) / 0.010,
                               posts.columns[0].values(posts.codes[:, 0])])
    capture = Capture(samples, 5000.0, (Channel("current", "A"), Channel("battery", "V")))
    return capture, battery, bench.starter.resistance_ohm


def test_a_virtual_battery_is_told_from_its_starter(both: tuple[Capture, BatterySpec, float]) -> None:
    capture, battery, starter_ohm = both
    result = analyse(capture, FOUR)
    health = result.health
    assert result.verdict == "even"
    assert health is not None
    assert battery.ohmic_ohm < health.battery_ohm < battery.ohmic_ohm + battery.polarisation_ohm
    beyond = starter_ohm + battery.cable_ohm
    assert beyond < health.starter_ohm < 1.6 * beyond  # brushes drop 1.2 V, and it turns a little by then
    assert health.resistance_ohm == pytest.approx(health.battery_ohm + health.starter_ohm)
    assert health.rest_v == pytest.approx(float(np.median(capture.samples[:2000, 1])), abs=0.02)


def test_percents_are_those_of_the_current_alone(both: tuple[Capture, BatterySpec, float]) -> None:
    capture, _, _ = both
    alone = replace(capture, samples=capture.samples[:, :1], channels=capture.channels[:1])
    with_it, without = analyse(capture, FOUR), analyse(alone, FOUR)
    assert [c.relative_percent for c in with_it.cylinders] == pytest.approx(
        [c.relative_percent for c in without.cylinders], abs=0.5)
    assert with_it.health.sag_percent == pytest.approx(without.health.sag_percent, abs=3.0)
