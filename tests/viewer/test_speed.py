"""``crankfold speed``: tooth times in files of any unit, alone and beside the current of the same cranking."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from crankfold.analysis import InputError, Wheel
from crankfold.plugins.virtual.engine import simulate
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.viewer.session import read_motion

WHEEL = Wheel(60, 2)


@pytest.fixture(scope="module")
def times() -> np.ndarray:
    run = simulate(FLEET["pump"].bench, 4.0, seed=2)
    angle = np.maximum.accumulate(run.angle_deg) + 1e-9 * np.arange(len(run.angle_deg))
    place = np.arange(np.ceil(angle[0] / 6.0), angle[-1] // 6.0)
    place = place[(place + 2) % 60 >= 2]
    t = np.interp(place * 6.0, angle, run.time_s)
    return t[t < run.truth().end_s]


@pytest.mark.parametrize(("heading", "factor", "form"), [
    ("tooth (us)", 1e6, "%.1f"), ("time [ms]", 1e3, "%.4f"), ("t_s", 1.0, "%.7f"), ("", 1e6, "%.1f"), ("", 1.0, "%.7f"),
    ("time;note", 1.0, "%.7f;1"), ("", 1e9, "%.0f")])
def test_any_unit_and_heading(tmp_path: Path, times: np.ndarray, heading: str, factor: float, form: str) -> None:
    path = tmp_path / "teeth.csv"
    path.write_text("".join([f"{heading}\n" if heading else "", *(form % (t * factor) + "\n" for t in times)]))
    motion = read_motion(path, WHEEL)
    assert motion.indexed
    assert motion.time_s == pytest.approx(times, abs=1e-6)


def test_a_decimal_comma_and_a_speed_log(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    t = np.arange(0.0, 3.0, 0.002)
    rows = [f"{x:.3f};{180.0 + 20.0 * np.sin(40.0 * x):.2f}".replace(".", ",") for x in t]
    path.write_text("\n".join(["time (s);engine rpm", *rows]))
    motion = read_motion(path, None)
    assert not motion.indexed
    assert motion.rpm == pytest.approx(180.0, abs=2.0)


@pytest.mark.parametrize(("text", "says"), [("", "no rows of numbers"), ("a,b\n1,2\n3,x\n", "line 3"),
                                            ("1\n2,3\n", "no rows"), ("1\n2\n", "100 or more")])
def test_mistakes_are_one_sentence(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "teeth.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_motion(path, WHEEL)


def test_the_command_alone_and_beside_the_current(in_process, times: np.ndarray, make_csv, make_recording) -> None:
    crankfold = in_process
    (crankfold.folder / "teeth.csv").write_text("time (us)\n" + "".join(f"{t * 1e6:.1f}\n" for t in times))
    make_csv(crankfold.folder / "crank.csv", make_recording(sync="waste-spark"))
    asked = ("speed", "teeth.csv", "--firing-order", "1-3-4-2", "--wheel", "60-2", "--tdc", "0")
    done = crankfold(*asked)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("By the crank's speed all 4 cylinders are even.")
    assert "cylinder 1 or 4: " in done.stdout
    done = crankfold(*asked, "--beside", "crank.csv", "--sync", "waste-spark:1")
    assert "Speed and current agree." in done.stdout
    nothing = make_csv(crankfold.folder / "quiet.csv", make_recording(crank="0.3"))
    done = crankfold(*asked, "--beside", nothing)
    assert done.returncode == 0
    assert done.stdout.startswith("By the crank's speed all 4 cylinders are even.")
    assert f"{nothing} gives no verdict" in done.stderr
    data = json.loads(crankfold(*asked, "--json", "-").stdout)
    assert data["format"] == "crankfold.speed/1"
    assert min(p["relative_percent"] for p in data["positions"]) > 90.0
    refused = crankfold("speed", "teeth.csv", "--firing-order", "1-3-4-2")
    assert refused.returncode == 2
    assert "--wheel 60-2" in refused.stderr
