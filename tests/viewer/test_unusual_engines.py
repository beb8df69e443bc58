"""Engines and rigs that are not the textbook's, from a virtual engine's recording through the command to its words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

ORDER = "1-3-4-2"


@pytest.fixture
def judged(in_process, make_recording, make_csv, tmp_path: Path):
    """Return a function: virtual board's settings and options in, what the command says and its JSON out."""
    def run(settings: dict[str, str], *options: str, order: str = ORDER, more: int = 0) -> tuple[str, dict[str, Any]]:
        files = []
        for number in range(1 + more):
            capture = make_recording(**settings | ({"seed": str(number + 1)} if more else {}))
            units = [c.unit for c in capture.channels]
            heading = ",".join(("time (s)", *(f"{n} ({u})" for n, u in zip(("current", "sync"), units, strict=False))))
            files.append(make_csv(tmp_path / f"crank{number}.csv", capture, heading))
        done = in_process("analyse", *files, "--firing-order", order, *options, "--json", "out.json")
        assert done.stderr == "", done.stderr
        return done.stdout, json.loads((in_process.folder / "out.json").read_text())
    return run


def relative(data: dict[str, Any]) -> dict[int, float]:
    return {c["cylinder"]: c["relative_percent"] for c in data["cylinders"]}


def codes(data: dict[str, Any], what: str = "cautions") -> list[str]:
    return [notice["code"] for notice in data[what]]


def test_battery_voltage_gives_the_verdict_with_a_caution_and_volts_instead_of_ohms(judged) -> None:
    said, data = judged({"measure": "battery-voltage", "low": "2:60", "sync": "cam"}, "--probe", "battery", "--sync",
                        "cam:1@200")
    assert (data["verdict"], data["low"]) == ("uneven", [2])
    assert relative(data)[2] == pytest.approx(60.0, abs=5.0)
    assert "battery-voltage" in codes(data)
    assert not {"polarity-reversed", "no-scale"} & set(codes(data))
    assert data["health"]["rest_v"] == pytest.approx(12.45, abs=0.05)
    assert data["health"]["lowest_v"] < data["health"]["cranking_v"] < 11.5
    assert data["health"]["resistance_ohm"] is None
    assert (data["cranking"]["mean_a"], data["cranking"]["inrush_a"]) == (None, None)
    assert "battery voltage, not starter current" in said


def test_a_voltage_that_nobody_called_the_battery_s_gives_no_verdict(judged) -> None:
    said, data = judged({"measure": "battery-voltage", "low": "2:60"})
    assert data["verdict"] == "none"
    assert "rests at 12.5 V" in said


def test_battery_voltage_without_its_rest_is_refused(in_process, make_recording, make_csv, tmp_path: Path) -> None:
    from dataclasses import replace

    whole = make_recording(measure="battery-voltage")
    cut = replace(whole, samples=whole.samples[round(1.1 * whole.rate_hz):], trigger_index=None)
    file = make_csv(tmp_path / "cut.csv", cut, "time (s),current (V)")
    done = in_process("analyse", file, "--firing-order", ORDER, "--probe", "battery")
    assert done.returncode == 3
    assert "battery at rest" in done.stdout


def test_a_decompressor_is_waited_for(judged) -> None:
    """At half the roughness of measured cranks: all of three seeds."""
    settings = {"rough": "0.5", "decompressor": "3", "crank": "4", "dead": "3", "sync": "waste-spark"}
    said, data = judged(settings, "--sync", "waste-spark:1")
    assert data["low"] == [3]
    assert "decompressor" in codes(data)
    assert "No compression for the first 0.9" in said
    assert data["cranking"]["cycles"] < 6.0  # of the seven that were cranked


@pytest.mark.parametrize("seed", ["1", "3"])
def test_a_decompressor_on_a_stiff_engine_may_go_unseen_and_nobody_is_blamed(judged, seed: str) -> None:
    """Friction that falls through the first turns makes the beginning as rough as humps: seen on one of three seeds.

    Of the other two one is answered rightly and one is refused.
    """
    settings = {"rough": "1", "decompressor": "3", "crank": "4", "dead": "3", "sync": "waste-spark", "seed": seed}
    _, data = judged(settings, "--sync", "waste-spark:1")
    assert data["low"] in ([3], [])
    assert data["verdict"] != "even"


def test_a_diesel_hears_nothing_of_sparks_and_of_parts_to_buy(judged) -> None:
    said, data = judged({"engine": "tug", "low": "4:50", "sync": "cam"}, "--sync", "cam:1@200",
                        "--fuel", "diesel", "--volts", "24", order="1-5-3-6-2-4")
    assert data["low"] == [4]
    assert relative(data)[4] == pytest.approx(57.9, abs=6.0)  # sized at 200 rpm, cranked at 245
    assert data["health"]["voltage_v"] == 25.2
    # the tug's battery, cable and starter without polarisation, which takes longer to build up than the in-rush lasts;
    # over five seeds 0.0135 to 0.0150 at any roughness, and the sentence says 25 %
    assert data["health"]["resistance_ohm"] == pytest.approx(0.0160, rel=0.15)
    assert "never open" in said.lower() or "no high-pressure line opened" in said
    for word in ("spark", "coil", "injector", "plugs,"):
        assert word not in said, word


def test_the_card_of_a_diesel_says_it_all(in_process, make_recording, make_csv, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    assert in_process("engine", "tug", "--firing-order", "1-5-3-6-2-4", "--ignition", "none", "--system-v",
                      "24").returncode == 0
    file = make_csv(tmp_path / "even.csv", make_recording(engine="tug"), "time (s),current (A)")
    done = in_process("analyse", file, "--engine", "tug", "--json", "-")
    data = json.loads(done.stdout)
    assert (data["engine"]["fuel"], data["engine"]["system_v"], data["verdict"]) == ("diesel", 24.0, "even")
    assert "Never open a high-pressure fuel line" in data["next"][0]


def test_glow_plugs_move_the_zero_and_not_the_answer(make_recording) -> None:
    from dataclasses import replace

    from crankfold.analysis import Engine, analyse

    clean = make_recording(engine="tug", low="4:50")
    loaded = replace(clean, samples=clean.samples + 90.0)
    engine = Engine((1, 5, 3, 6, 2, 4))
    one, other = analyse(clean, engine), analyse(loaded, engine)
    assert other.trace.zero == pytest.approx(one.trace.zero + 90.0, abs=0.01)
    assert [c.relative_percent for c in other.cylinders] == pytest.approx([c.relative_percent for c in one.cylinders],
                                                                          abs=0.1)


def test_a_plug_taken_out_names_the_low_one_beside_it(judged) -> None:
    said, data = judged({"dead": "1", "low": "4:60"}, "--sync", "plug-out:1", "--gauge", "3=11.2bar", "--misfire-code",
                        "P0304")
    assert relative(data)[1] < 15.0
    assert relative(data)[4] == pytest.approx(60.0, abs=8.0)
    assert "Cylinder 4 is low" in said
    assert "code-agrees" in codes(data, "notes")
    bars = {c["cylinder"]: c["pressure_bar"] for c in data["cylinders"]}
    assert bars[3] == pytest.approx(11.2, abs=0.01)
    assert bars[4] == pytest.approx(11.2 * relative(data)[4] / relative(data)[3], abs=0.01)


def test_a_misfire_code_of_a_healthy_cylinder_is_contradicted(judged) -> None:
    said, data = judged({"dead": "3", "sync": "waste-spark"}, "--sync", "waste-spark:1", "--misfire-code", "P0302")
    assert "code-contradicts" in codes(data)
    assert "names cylinder 2, which isn't low here" in said


def test_a_pressure_channel_gives_bar_for_all(judged, make_recording) -> None:
    settings = {"low": "2:60", "sync": "pressure"}
    _, data = judged(settings, "--sync", "pressure:1")
    true_bar = float(make_recording(**settings).column("sync").max())
    bars = {c["cylinder"]: c["pressure_bar"] for c in data["cylinders"]}
    assert data["low"] == [2]
    assert bars[1] == pytest.approx(true_bar, rel=0.03)
    assert bars[2] == pytest.approx(0.6 * true_bar, rel=0.1)
    assert "channel-anchors" in codes(data, "notes")


def test_short_cranks_of_one_engine_are_one_answer(judged) -> None:
    said, data = judged({"low": "2:60", "sync": "cam", "crank": "1.8"}, "--sync", "cam:1@200", more=2)
    assert data["low"] == [2]
    assert relative(data)[2] == pytest.approx(60.0, abs=5.0)
    assert "Combined result of 3 cranking tests" in said
    assert "few-cycles" not in codes(data)


def test_a_belt_starter_is_no_case_for_this_method(in_process, even_csv: Path, monkeypatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    assert in_process("engine", "mild", "--firing-order", ORDER, "--starter", "belt").returncode == 0
    done = in_process("analyse", even_csv, "--engine", "mild")
    assert done.returncode == 2
    assert "doesn't apply" in done.stderr
    assert "orange" in done.stderr
