"""For a stand: channels over crank angle, frames in and out, and the notebook, which runs as it stands."""

from __future__ import annotations

import os
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import crankfold.analysis
from crankfold.analysis import (
    Capture,
    Channel,
    Engine,
    InputError,
    Wheel,
    analyse,
    from_pandas,
    from_xarray,
    over_angle,
    peak_pressures,
    pulse_times,
    results_frame,
    to_pandas,
    to_xarray,
)
from crankfold.plugins.virtual.engine import leak_for, simulate
from crankfold.plugins.virtual.fleet import FLEET

NOTEBOOK = Path(crankfold.analysis.__file__).parent / "stand.md"
WHEEL = Wheel(60, 2)
RATE_HZ = 20_000.0
FOUR = Engine((1, 3, 4, 2))


@pytest.fixture(scope="module")
def stand() -> tuple[Capture, list[float], float]:
    """Current, encoder and four pressures of a pump with a leak, its true percents, and TDC after the first tooth."""
    bench = FLEET["pump"].bench
    cylinders = list(bench.engine.by_position())
    cylinders[2] = leak_for(bench.engine, 2, 55.0, 200.0)
    run = simulate(replace(bench, engine=replace(bench.engine, cylinders=tuple(cylinders))), 3.5, seed=6)
    t = np.arange(0.0, run.truth().end_s, 1.0 / RATE_HZ)
    angle = np.interp(t, run.time_s, run.angle_deg)
    place = np.floor(angle / 6.0)
    pulse = 5.0 * ((angle % 6.0 < 3.0) & (place % 60 < 58))
    noise = np.random.default_rng(7).normal(size=(len(t), 6)) * [1.0, 0.05, 0.02, 0.02, 0.02, 0.02]
    pressure = np.column_stack([np.interp(t, run.time_s, run.gauge_bar[:, k]) for k in range(4)]) + 1.0
    samples = np.column_stack((np.interp(t, run.time_s, run.current_a), pulse, pressure)) + noise
    names = ("current", "encoder", *(f"cylinder {c}" for c in bench.engine.firing_order))
    units = ("A", "V", *["bar"] * 4)
    return Capture(samples, RATE_HZ, tuple(map(Channel, names, units))), list(run.truth().relative_percent), 0.0


def test_channels_over_angle_and_motored_pressure_beside_the_estimate(stand) -> None:
    """Peaks over angle give the true percents; the current's estimate, made apart, lies near them."""
    capture, truth, tdc = stand
    record, motion = over_angle(capture, WHEEL, "encoder")
    assert record.names == ("current", "cylinder 1", "cylinder 3", "cylinder 4", "cylinder 2")
    assert np.diff(record.angle_deg) == pytest.approx(1.0)
    assert motion.indexed
    candidates = []
    for turn in (tdc, tdc + 360.0):
        peaks = peak_pressures(record, FOUR, turn, {c: f"cylinder {c}" for c in FOUR.firing_order})
        # the last cycles: the truth is that of steady speed
        candidates.append(np.array([peaks[c][-3:].mean() for c in FOUR.firing_order]))
    bars = max(candidates, key=lambda b: float(b.sum()))  # an index does not tell the strokes apart, the pressures do
    assert 100.0 * bars / bars.max() == pytest.approx(truth, abs=2.0)
    result = analyse(capture, FOUR)
    own = [c.relative_percent for c in result.cylinders]
    assert min(float(np.abs(np.roll(own, k) - truth).max()) for k in range(4)) < 6.0


def test_pulses_of_either_polarity_and_with_noise_give_the_same_edges() -> None:
    t = np.arange(4000) / 1000.0
    clean = ((t * 25.0) % 1.0 < 0.5).astype(float)
    noisy = -3.0 * clean + 0.2 * np.random.default_rng(2).normal(size=len(t))
    assert len(pulse_times(clean, 1000.0)) == pytest.approx(len(pulse_times(noisy, 1000.0)), abs=1)
    assert np.diff(pulse_times(noisy, 1000.0)) == pytest.approx(0.04, abs=2e-3)


def test_what_cannot_be_is_said(stand) -> None:
    capture, _, _ = stand
    with pytest.raises(InputError, match="no channel 'crank'"):
        over_angle(capture, WHEEL, "crank")
    with pytest.raises(InputError, match="step of 90"):
        over_angle(capture, WHEEL, "encoder", step_deg=90.0)
    with pytest.raises(InputError, match="shows no pulses"):
        pulse_times(np.zeros(100), 1000.0)
    with pytest.raises(InputError, match="samples a pulse"):
        pulse_times([0.0, 1.0] * 200, 1000.0)
    record, _ = over_angle(capture, WHEEL, "encoder")
    with pytest.raises(InputError, match="there is no channel"):
        peak_pressures(record, FOUR, 0.0, {1: "cylinder 9"})


def test_frames_come_back_as_they_went(stand) -> None:
    capture, _, _ = stand
    short = replace(capture, samples=capture.samples[:500])
    for back in (from_xarray(to_xarray(short)), from_xarray(to_xarray(short).to_dataarray("channel")),
                 from_pandas(to_pandas(short), [c.unit for c in short.channels])):
        assert back.rate_hz == pytest.approx(RATE_HZ)
        assert np.array_equal(back.samples, short.samples)
        assert [c.name for c in back.channels] == [c.name for c in short.channels]
    assert [c.unit for c in from_xarray(to_xarray(short)).channels] == [c.unit for c in short.channels]
    frame = to_pandas(short)
    with pytest.raises(InputError, match="even steps"):
        from_pandas(frame.iloc[[0, 1, 3, 4]])
    with pytest.raises(InputError, match="no coordinate time"):
        from_xarray(to_xarray(short).drop_vars("time"))


def test_results_as_a_frame(stand) -> None:
    result = analyse(stand[0], FOUR)
    assert list(results_frame([result, result])["verdict"]) == [result.verdict] * 2
    rows = results_frame([result, result], by_cylinder=True)
    assert len(rows) == 8
    assert set(rows["result"]) == {0, 1}


@pytest.mark.long
def test_the_notebook_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what other packages warn of on import is not ours
        import jupytext
        from nbclient import NotebookClient
    monkeypatch.setenv("MPLCONFIGDIR", str(tmp_path / "mpl"))
    monkeypatch.setenv("JUPYTER_PLATFORM_DIRS", "1")
    monkeypatch.setenv("PYTHONWARNINGS", "ignore")
    notebook = jupytext.read(NOTEBOOK)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        NotebookClient(notebook, timeout=150, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}},
                       env={**os.environ}).execute()
    assert (tmp_path / "figure.pdf").stat().st_size > 5_000
    said = "".join(str(output) for cell in notebook.cells for output in cell.get("outputs", ()))
    assert "cylinder 1:" in said
    assert "points (95 %" in said
