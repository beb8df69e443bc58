"""What the virtual rig records: clamp, converter, clock and sync lead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.plugins.virtual.engine import VirtualRun, simulate
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import Recording, RigSpec, nice_above, record
from crankfold.plugins.virtual.specs import Bench, CylinderSpec, EngineSpec, KeySpec

CLEAN = RigSpec(noise_a=0.0, hash_share=0.0, hum_a=0.0, bandwidth_hz=1e6, bits=16)
KEY = KeySpec(0.4, 2.6, 500.0)


@pytest.fixture(scope="module")
def run() -> VirtualRun:
    return simulate(replace(Bench(), key=KEY), 2.8, seed=2)


def column(recording: Recording, index: int) -> np.ndarray:
    return recording.columns[index].values(recording.codes[:, index])


def marks(run: VirtualRun, lead: SyncLead, rate_hz: float = 20_000.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return times and heights of the marks: where the signal leaves the ground by a kilovolt."""
    kv = np.abs(column(record(run, replace(CLEAN, rate_hz=rate_hz, sync=replace(lead, noise=0.0)), seed), 1))
    rises = np.flatnonzero((kv[1:] > 1.0) & (kv[:-1] <= 1.0)) + 1
    return rises / rate_hz, np.array([kv[at : at + 4].max() for at in rises])


def test_clean_recording_is_the_current_to_half_a_step(run: VirtualRun) -> None:
    recording = record(run, replace(CLEAN, clamp_mv_per_a=4.0))
    volts = column(recording, 0)
    times = np.arange(len(volts)) / 10_000.0
    truth = np.interp(times, run.time_s, run.current_a) * 4e-3
    assert recording.codes.dtype == np.int16
    assert np.abs(volts - truth).max() <= 0.5 * recording.columns[0].scale + 1e-4 * truth.max()


def test_polarity_gain_offset_and_drift(run: VirtualRun) -> None:
    rig = replace(CLEAN, polarity=-1, gain_error=0.1, offset_a=3.0, drift_a_per_s=2.0, clamp_mv_per_a=1000.0)
    amps = column(record(run, rig), 0)
    times = np.arange(len(amps)) / rig.rate_hz
    expected = -(1.1 * np.interp(times, run.time_s, run.current_a) + 3.0 + 2.0 * times)
    assert np.allclose(amps, expected, atol=0.05)


def test_clamp_and_converter_clip(run: VirtualRun) -> None:
    limited = column(record(run, replace(CLEAN, limit_a=200.0)), 0) * 100.0
    assert limited.max() == pytest.approx(200.0, abs=0.1) and np.mean(limited > 199.0) > 0.1
    small = record(run, replace(CLEAN, full_scale=1.0, bits=8))
    assert small.codes.max() == small.columns[0].high == 127


def test_converter_without_sign_has_its_zero_in_the_middle(run: VirtualRun) -> None:
    signed = record(run, replace(CLEAN, sync=SyncLead("cam")))
    unsigned = record(run, replace(CLEAN, bipolar=False, sync=SyncLead("cam")))
    assert unsigned.codes.dtype == np.uint16 and abs(int(unsigned.codes[0, 0]) - 32768) <= 1
    for index in (0, 1):
        assert np.allclose(column(signed, index), column(unsigned, index), atol=1.1 * signed.columns[index].scale)


def test_rate_error_packs_more_samples_into_the_same_time(run: VirtualRun) -> None:
    recording = record(run, replace(CLEAN, rate_error=0.25))
    assert recording.rate_hz == 12_500.0 and len(recording.codes) == int(run.time_s[-1] * 12_500.0)


def test_hash_follows_the_armature_and_hum_the_mains(run: VirtualRun) -> None:
    amps = column(record(run, replace(CLEAN, rate_hz=20_000.0, hash_share=0.05, hash_harmonic=0.0)), 0)
    inside = slice(30_000, 50_000)
    weight = run.current_a[15_000:25_000] ** 2 * np.hanning(10_000) ** 2  # the ripple is a share of the current
    speed = np.average(run.armature_rad_s[15_000:25_000], weights=weight)
    turns_hz = run.bench.starter.gear_ratio * speed / (2.0 * np.pi)
    spectrum = np.abs(np.fft.rfft(amps[inside] * np.hanning(20_000)))
    hz = np.fft.rfftfreq(20_000, 1.0 / 20_000.0)
    band = hz > 400.0
    centre = np.sum(hz[band] * spectrum[band] ** 2) / np.sum(spectrum[band] ** 2)
    assert centre == pytest.approx(turns_hz * run.bench.starter.commutator_bars, rel=0.06)
    quiet = column(record(run, replace(CLEAN, hum_a=5.0, mains_hz=60.0)), 0)[:3500] * 100.0
    lines = np.abs(np.fft.rfft(quiet[:3500])) / 1750.0
    assert np.fft.rfftfreq(3500, 1e-4)[np.argmax(lines)] == pytest.approx(60.0, abs=1.0)
    assert lines.max() == pytest.approx(5.0, rel=0.1)


def test_noise_is_the_seeds(run: VirtualRun) -> None:
    rig = RigSpec(noise_a=2.0, hum_a=0.0, bandwidth_hz=1e6, bits=16)
    one, two, other = (record(run, rig, seed) for seed in (1, 1, 2))
    assert np.array_equal(one.codes, two.codes) and not np.array_equal(one.codes, other.codes)
    assert np.std(column(one, 0)[:3900] * 100.0) == pytest.approx(2.0, rel=0.06)


def test_battery_voltage_mirrors_the_current(run: VirtualRun) -> None:
    volts = column(record(run, replace(CLEAN, quantity="battery-voltage")), 0)
    amps = column(record(run, CLEAN), 0)
    assert volts[0] == pytest.approx(run.volts[0], abs=0.01)
    assert np.corrcoef(volts, amps)[0, 1] < -0.97


@pytest.mark.parametrize("edge_deg", [200.0, -30.0, 0.0])
def test_cam_edge_is_exact_to_a_sample(run: VirtualRun, edge_deg: float) -> None:
    rig = replace(CLEAN, sync=SyncLead("cam", 3, edge_deg, noise=0.0))
    volts = column(record(run, rig), 1)
    rises = np.flatnonzero((volts[1:] > 2.5) & (volts[:-1] < 2.5)) + 1
    rises = rises[rises < 25_500]  # let go, the crank swings back and passes edges again
    fire = run.bench.engine.fire_deg[1]
    first = np.ceil((run.angle_deg[0] - fire - edge_deg) / 720.0)
    expected = [run.time_at(fire + edge_deg + 720.0 * (first + k)) for k in range(len(rises))]
    assert len(rises) >= 3
    for rise, at in zip(rises, expected, strict=True):
        assert at is not None and 0.0 <= rise / 10_000.0 - at < 1e-4 + 1e-9


def test_waste_spark_comes_every_turn_tall_then_short(run: VirtualRun) -> None:
    times, heights = marks(run, SyncLead("waste-spark", 4))
    angles = np.interp(times, run.time_s, run.angle_deg) - run.bench.engine.fire_deg[2]
    assert len(times) >= 8
    assert np.all(np.abs((angles + 7.0 + 180.0) % 360.0 - 180.0) < 0.3)
    compression = np.abs((angles + 7.0 + 360.0) % 720.0 - 360.0) < 10.0
    settled = times > 1.0
    assert heights[compression & settled].min() > 2.5 * heights[~compression & settled].max()


def test_companions_lie_one_turn_apart_on_an_even_four(run: VirtualRun) -> None:
    """Cylinders 1 and 4 share a coil: where the one is tall, the other is short."""
    (t1, h1), (t4, h4) = (marks(run, SyncLead("waste-spark", cylinder)) for cylinder in (1, 4))
    assert np.allclose(t1, t4)
    settled = t1 > 1.0
    assert np.all((h1 > 5.0)[settled] != (h4 > 5.0)[settled])


def test_single_spark_comes_once_a_cycle_and_inverted_goes_down(run: VirtualRun) -> None:
    times, _ = marks(run, SyncLead("single-spark", 1))
    assert np.all(np.abs(np.diff(np.interp(times, run.time_s, run.angle_deg)) - 720.0) < 0.5)
    kv = column(record(run, replace(CLEAN, sync=SyncLead("single-spark", 1, inverted=True, noise=0.0))), 1)
    assert kv.min() < -8.0 and kv.max() == 0.0


def test_dead_sync_cylinder_makes_tall_and_short_alike() -> None:
    engine = EngineSpec().with_cylinder(1, CylinderSpec(leak_mm2=60.0))
    _, heights = marks(simulate(replace(Bench(engine), key=KEY), 2.8), SyncLead("waste-spark", 1))
    assert heights.max() < 1.3 * heights.min()


def test_missed_doubled_and_repeated_marks(run: VirtualRun) -> None:
    all_marks, _ = marks(run, SyncLead("waste-spark", 1))
    missed, _ = marks(run, SyncLead("waste-spark", 1, missed=0.5))
    doubled, _ = marks(run, SyncLead("waste-spark", 1, doubled=1.0))
    assert 0 < len(missed) < len(all_marks) and set(np.round(missed, 4)) <= set(np.round(all_marks, 4))
    assert len(doubled) == 2 * len(all_marks)
    repeated, _ = marks(run, SyncLead("single-spark", 1, repeat_ms=5.0, repeat_deg=40.0))
    gaps = np.diff(repeated)
    assert np.sum(np.abs(gaps - 0.005) < 2e-4) >= 6


def test_slow_board_sees_a_held_peak_and_may_miss_a_free_one(run: VirtualRun) -> None:
    lead = SyncLead("waste-spark", 1, peak_ms=0.1, burn_ms=1.0)
    held = np.abs(column(record(run, replace(CLEAN, rate_hz=1000.0, sync=lead)), 1)).max()
    free = np.abs(column(record(run, replace(CLEAN, rate_hz=1000.0, sync=replace(lead, peak_held=False))), 1)).max()
    assert held > 8.0 and free < held


def test_pressure_lead_is_the_gauge_pressure(run: VirtualRun) -> None:
    bar = column(record(run, replace(CLEAN, skew_s=2e-4, sync=SyncLead("pressure", 3, noise=0.0))), 1)
    times = np.arange(len(bar)) / 10_000.0 + 2e-4
    assert np.allclose(bar, np.interp(times, run.time_s, run.gauge_bar[:, 1]), atol=0.01)


def test_hash_couples_into_the_lead_only_while_cranking(run: VirtualRun) -> None:
    kv = column(record(run, replace(CLEAN, sync=SyncLead("single-spark", 1, noise=0.0, hash_share=1.0))), 1)
    assert np.all(kv[:3900] == 0.0) and np.std(kv[10_000:20_000]) > 0.05


def test_lead_on_a_missing_cylinder_is_refused(run: VirtualRun) -> None:
    with pytest.raises(ValueError, match="cylinder 7"):
        record(run, replace(CLEAN, sync=SyncLead("cam", 7)))


@pytest.mark.parametrize(("value", "above"), [(0.0, 1.0), (0.7, 1.0), (1.0, 1.0), (3.2, 5.0), (6.0, 10.0), (17, 20.0)])
def test_full_scales_are_round(value: float, above: float) -> None:
    assert nice_above(value) == pytest.approx(above)


def test_two_strokes_spark_every_turn() -> None:
    run = simulate(replace(FLEET["outboard"].bench, key=KEY), 2.8)
    times, heights = marks(run, SyncLead("single-spark", 2))
    assert np.all(np.abs(np.diff(np.interp(times, run.time_s, run.angle_deg)) - 360.0) < 0.5)
    assert heights[times > 1.0].min() > 4.0


def test_a_clamp_keeps_a_share_of_the_largest_current_and_nothing_at_its_peak(run: VirtualRun) -> None:
    plain, kept = (column(record(run, replace(CLEAN, remanence=share, clamp_mv_per_a=1.0)), 0) * 1e3
                   for share in (0.0, 0.01))
    extra = kept - plain
    peak = int(np.argmax(plain))
    step = 1.01e3 * record(run, replace(CLEAN, clamp_mv_per_a=1.0)).columns[0].scale
    assert np.abs(extra[:4000]).max() <= step and abs(extra[peak]) <= step
    assert extra[-1] == pytest.approx(0.01 * plain.max(), abs=2.0 * step)


def test_a_cheap_board_is_late_now_and_then_and_loses_samples(run: VirtualRun) -> None:
    whole = column(record(run, CLEAN), 0)
    cheap = record(run, replace(CLEAN, late=0.02, late_s=0.004, lost=0.01))
    off = np.flatnonzero(column(cheap, 0) != whole)
    assert 0.008 < len(off) / len(whole) < 0.025  # in the quiet a late sample is like any other
    for k in off[(off > 5000) & (off < len(whole) - 50)][:50]:
        after = whole[k : k + 42]
        assert after.min() - 1e-3 <= column(cheap, 0)[k] <= after.max() + 1e-3
    assert np.mean(~cheap.arrived) == pytest.approx(0.01, abs=0.004)
    assert record(run, CLEAN).arrived.all()
