"""The circuits of the hardware notes do what the notes say: each is simulated, and the tables are what that gives.

The simulator is checked against formulas done by hand wherever there is one.
"""

from __future__ import annotations

import importlib
import re
import sys
from math import atan, log10, pi
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire.rig.check import MIN_ROOM_A

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"
CIRCUITS = NOTES / "circuits"
NETLISTS = sorted(path.name for path in CIRCUITS.glob("*.cir"))
NUMBER = re.compile(r"\d+(?:\.\d+)?")
ISO_16750_2_V = {"12": 101.0, "24": 202.0}  # ISO 16750-2, load dump without suppression, highest Us


@pytest.fixture(scope="module")
def ngspice():
    return _of_the_notes("ngspice")


@pytest.fixture(scope="module")
def tables():
    return _of_the_notes("tables")


def _of_the_notes(name: str):
    sys.path.insert(0, str(CIRCUITS))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(CIRCUITS))


def marked() -> list[tuple[str, str, str]]:
    found = []
    for page in sorted(NOTES.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        found += [(page.name, name, shown) for name, shown in re.findall(
            r"<!-- table (\S+) -->\n\n(.*?)\n<!-- end -->", text, re.DOTALL)]
    return found


def test_room_is_what_the_check_asks_for(tables) -> None:
    assert tables.MIN_ROOM_A == MIN_ROOM_A


def test_every_table_is_on_a_page_once(tables) -> None:
    assert sorted(name for _, name, _ in marked()) == sorted(tables.TABLES)


@pytest.mark.parametrize(("page", "name", "shown"), marked(), ids=lambda given: given[:20])
def test_the_tables_are_what_the_simulation_gives(tables, page, name, shown) -> None:
    """Words must be the same; a number may differ by 1 % or by one in its last place, as releases of ngspice do."""
    made = tables.TABLES[name]()
    assert NUMBER.sub("#", shown) == NUMBER.sub("#", made), f"run {CIRCUITS / 'tables.py'} --write"
    for old, new in zip(NUMBER.findall(shown), NUMBER.findall(made), strict=True):
        place = 10.0 ** -len(new.partition(".")[2])
        assert abs(float(old) - float(new)) <= max(0.01 * float(new), 1.001 * place), (page, old, new)


@pytest.mark.parametrize("name", NETLISTS)
def test_every_netlist_runs_by_itself_and_is_explained(ngspice, name) -> None:
    assert ngspice.measure(name)
    pages = "".join(page.read_text(encoding="utf-8") for page in NOTES.glob("*.md"))
    assert f"circuits/{name}" in pages or name in (CIRCUITS / "tables.py").read_text(encoding="utf-8")


def test_a_netlist_that_does_not_run_is_said(ngspice, tmp_path, monkeypatch) -> None:
    (tmp_path / "bad.cir").write_text("* bad\nR1 a 0 1k\nXnone a b nosuch\n.op\n.meas dc x find v(a) at=1\n.end\n")
    monkeypatch.setattr(ngspice, "FOLDER", tmp_path)
    with pytest.raises(ngspice.SimulationError, match=r"bad\.cir"):
        ngspice.measure("bad.cir")


def test_dividers_by_hand(ngspice) -> None:
    got = ngspice.measure("dividers.cir")
    for name, volt, upper, lower, reference in (
            ("battery12_5", 16, 22, 10, 0), ("battery24_5", 32, 56, 10, 0), ("battery12_3", 16, 39, 10, 0),
            ("battery24_3", 32, 100, 10, 0), ("low5", -6, 44, 15, 2.5), ("high5", 6, 44, 15, 2.5),
            ("low3", -6, 56, 12, 1.65), ("high3", 6, 56, 12, 1.65)):
        assert got[name] == pytest.approx(reference + (volt - reference) * lower / (upper + lower), rel=1e-4)


def test_every_divider_stays_inside_its_board(ngspice) -> None:
    got = ngspice.measure("dividers.cir")
    for name, volt in got.items():
        rail = 5.0 if name.endswith("5") else 3.3
        allowed = 0.4 if name.startswith("wrong") else 1e-6  # by mistake on 24 V: a diode's drop above the supply
        assert 0.0 <= volt <= rail + allowed, name
    assert got["zener_at_pin"] < 0.75 * got["battery12_3"]  # why the Zener diode belongs across the supply


@pytest.mark.parametrize("volt", [14.0, 28.0, 60.0, 101.0, 202.0])
def test_clamp_currents_by_hand(ngspice, volt) -> None:
    got, name = ngspice.measure("input-protection.cir"), {14.0: "12", 28.0: "24"}.get(volt, f"{volt:.0f}")
    drop = got[f"pin_{name}"] - 5.0
    assert 0.25 < drop < 0.5  # a small Schottky diode at 1 to 20 mA
    assert got[f"up_{name}"] == pytest.approx((volt - got[f"pin_{name}"]) / 10e3, rel=0.01)
    assert got[f"watt_{name}"] == pytest.approx((volt - got[f"pin_{name}"]) ** 2 / 10e3, rel=0.01)


def test_a_pin_behind_low_leakage_diodes_bears_less_than_a_milliampere(ngspice) -> None:
    got = ngspice.measure("input-protection.cir")
    assert all(abs(got[f"inside_{name}"]) < 1e-3 for name in ("60", "101", "202", "reversed"))
    assert min(got["pin3_reversed"], got["pin_reversed"]) > -0.5
    assert max(got["pin3_12"], got["pin3_60"]) < 3.3 + 0.5


@pytest.mark.parametrize("system", ISO_16750_2_V)
def test_the_load_dump_is_the_standards(ngspice, system) -> None:
    got = ngspice.measure("load-dump.cir")
    assert got[f"peak_{system}"] == pytest.approx(ISO_16750_2_V[system], rel=0.01)
    assert got[f"watt_{system}"] < {"12": 6.25 * 0.5, "24": 6.25 * 2.0}[system]  # short overload, IEC 60115 [M]
    assert got[f"watt_d{system}"] < 6.25 * 0.5


def test_two_microamperes_are_two_amperes_behind_a_clamp(ngspice) -> None:
    got = ngspice.measure("leakage.cir")
    assert got["cool_schottky"] == pytest.approx(10e3 * 1.9e-6, rel=0.02)  # the lower diode takes a twentieth back
    assert 10 < got["hot_schottky"] / got["cool_schottky"] < 50
    assert got["hot_silicon"] < 5e-3


def test_filters_by_hand_and_by_the_one_rule(ngspice, tables) -> None:
    got = ngspice.measure("filter.cir")
    for rate, nanofarad in tables.FILTERS_NF.items():
        corner = 1 / (2 * pi * 10e3 * nanofarad * 1e-9)
        assert got[f"corner_{rate}"] == pytest.approx(corner, rel=0.01)
        assert got[f"corner_{rate}"] == pytest.approx(rate / 20, rel=0.1)
        assert got[f"alias_{rate}"] == pytest.approx(-10 * log10(1 + ((rate - 50) / corner) ** 2), abs=0.1)
        assert got[f"hump_{rate}"] == pytest.approx((1 + (20 / corner) ** 2) ** -0.5, rel=0.001)
        assert got[f"phase_{rate}"] == pytest.approx(-atan(20 / corner), rel=0.01)
    assert got["corner_divider"] == pytest.approx(1 / (2 * pi * 6875 * 33e-9), rel=0.01)
    sensor, held, cam = ngspice.measure("pulse-inputs.cir").values()
    assert (sensor, held, cam) == (pytest.approx(2341, rel=0.01), pytest.approx(15_916, rel=0.01),
                                   pytest.approx(1592, rel=0.01))


def test_every_page_has_the_one_filter_rule(tables) -> None:
    """A capacitor that a page of a board gives beside a rate is the table's."""
    found = []
    for page in sorted(NOTES.glob("*.md")):
        text = " ".join(page.read_text(encoding="utf-8").split())
        found += [(page.name, rate, nanofarad) for nanofarad, rate in re.findall(
            r"([\d.]+) nF\*{0,2},? (?:for|at) (\d[\d,]*\d)", text)]
        found += [(page.name, *pair) for pair in re.findall(
            r"(?:rate=|[Ff]or )(\d[\d,]*\d)`?: (?:10 k(?:ohm|Ω) and )?([\d.]+) nF", text)]
    assert len(found) >= 5
    for page_name, rate, nanofarad in found:
        assert tables.FILTERS_NF[int(rate.replace(",", ""))] == float(nanofarad), (page_name, rate, nanofarad)


def test_amplifiers_by_hand(ngspice) -> None:
    got = ngspice.measure("shunt-amplifier.cir")
    for name, ohm, gain, top in (("out15", 0.39e-3, 15, 4.95), ("out40", 0.39e-3, 40, 4.95), ("out5", 1e-3, 5, 4.95),
                                 ("out50", 0.12e-3, 50, 4.95), ("low3", 1e-3, 3, 3.25), ("low9", 0.39e-3, 9, 3.25)):
        assert 1e3 * got[f"clip_{name}"] == pytest.approx((top - 0.5) / (ohm * gain), rel=0.003)
        assert got[f"at150_{name}"] == pytest.approx(0.5 + 150 * ohm * gain, rel=0.001)
        assert (1e3 * got[f"clip_{name}"] > 700.0) == (name != "out40")
    assert got["reversed_out15"] > 0.1  # a cable the wrong way round is seen


def test_loops_by_hand_and_the_fuse(ngspice) -> None:
    got = ngspice.measure("ground-loop.cir")
    assert got["good"] == pytest.approx(150 * 0.4 / 60.4, rel=0.001)
    assert got["loose"] == pytest.approx(150 * 40 / 100, rel=0.001)
    assert got["good_fused"] < 0.5 < 10 * 0.5 < got["loose_fused"]  # holds; and blows at once at ten times its rating


@pytest.mark.parametrize("rate", [10_000, 5000])
@pytest.mark.parametrize("node", ["v(right)", "v(upside)"])
def test_the_foil_holds_the_peak_whenever_the_board_samples(ngspice, rate, node) -> None:
    tall, short = (seen(ngspice, "capacitive-pickup.cir", node, rate, at) for at in (5e-3, 35e-3))
    assert tall.min() > 0.85 * tall.max() and short.min() > 0.85 * short.max()
    assert 3.5 * short.max() < tall.min()
    assert tall.max() < 3.3  # a 3.3 V board takes it as it is


@pytest.mark.parametrize("coupling", ["2p", "5p"])
def test_a_larger_or_smaller_foil_tells_the_strokes_apart_too(ngspice, coupling) -> None:
    got = ngspice.measure("capacitive-pickup.cir", coupling=coupling)
    assert 1.6 < got["tall"] < 4.3
    assert got["tall"] > 4.0 * got["short"] and got["tall_turned"] > 4.0 * got["short_turned"]
    with pytest.raises(ngspice.SimulationError, match="no parameter"):
        ngspice.measure("capacitive-pickup.cir", nosuch="1k")


def test_without_diodes_a_tall_spark_may_look_like_a_short_one(ngspice) -> None:
    tall, short = (seen(ngspice, "capacitive-pickup.cir", "v(flat)", 10_000, at) for at in (5e-3, 35e-3))
    assert tall.min() < 0.35 * tall.max()
    assert tall.min() < 1.25 * short.max()


def seen(ngspice, name: str, node: str, rate: int, at: float):
    waves = ngspice.waveforms(name)
    starts = at + np.arange(40) / 40 / rate
    return np.array([np.interp(np.arange(start, at + 0.014, 1 / rate), waves["time"], waves[node]).max()
                     for start in starts])


def test_a_slipped_foil_is_harmless(ngspice) -> None:
    got = ngspice.measure("slipped-foil.cir")
    assert got["foil"] < 20.0
    assert got["pin"] < 5.5
    assert got["diode"] < 5e-3


def test_the_spike_of_a_ring_fills_a_small_capacitor_only(ngspice) -> None:
    got = ngspice.measure("inductive-pickup.cir")
    assert got["tall"] > 3.0 and got["later"] > 0.85 * got["tall"] and got["large"] < 1.0
    charge = 2.0 * 75e-9 / 10  # coulombs behind ten turns
    assert got["tall"] < charge / 1e-9  # no more than all of it on 1 nF


def test_the_primary_is_stretched_and_never_above_its_zener(ngspice) -> None:
    got = ngspice.measure("coil-primary.cir")
    assert 2.5 < got["pin"] < 3.3 and got["pin_late"] > 0.9 * got["pin"]
    assert got["failed"] < 5.3
    assert got["each"] == pytest.approx(400 * 33 / 100, rel=0.02)
    assert got["rest"] == pytest.approx(0.14, abs=0.001)
    assert max(got["pin10"], got["pin33"]) < 1.0


def test_the_trigger_wire_gives_a_dip_where_it_falls_and_nowhere_else(ngspice) -> None:
    got = ngspice.measure("coil-trigger.cir")
    assert got["rest"] - got["dip"] > 3.5 and got["rest3"] - max(got["dip3"], 0) > 3.0
    assert got["lag"] < 50e-6
    assert got["rise"] < 5.6
    assert got["second"] == pytest.approx(got["dip"], abs=0.1)
    assert max(got["loads"], -got["loads_falling"]) < 150e-6
    assert (got["plain_high"], got["low_high"]) == (pytest.approx(5.0, rel=0.01), pytest.approx(3.0, rel=0.01))


def test_cam_sensors_by_hand(ngspice) -> None:
    got = ngspice.measure("cam-sensor.cir")
    assert got["hall12_5"] == pytest.approx(14.4 * 47 / 147, rel=0.001)
    assert got["hall12_3"] == pytest.approx(14.4 * 27 / 127, rel=0.001)
    assert got["vr_high"] - got["vr_low"] == pytest.approx(2 / 3, rel=0.001)
    assert got["fires_diode"] < 1e-3


def test_the_budget_of_a_clamp_against_drawn_errors() -> None:
    """Source: JCGM 100:2008, 4.3.7 (limits +-a: u = a/sqrt(3)), and JCGM 101:2008, which draws the errors instead."""
    rng = np.random.default_rng(100)
    limits = np.array([0.02 * 150, 0.01 * 150, 3.0, 1.0])
    drawn = rng.uniform(-limits, limits, (200_000, 4)).sum(axis=1)
    assert drawn.std() == pytest.approx(2.7, abs=0.05)
    assert np.percentile(np.abs(drawn), 95.45) == pytest.approx(5.3, abs=0.3)


def test_the_drawings_are_what_their_script_draws() -> None:
    sys.path.insert(0, str(NOTES / "drawings"))
    try:
        draw = importlib.import_module("draw")
    finally:
        sys.path.remove(str(NOTES / "drawings"))
    made = {f"{sheet.name}.svg": sheet.svg() for sheet in (one() for one in draw.SHEETS)}
    assert {path.name: path.read_text(encoding="utf-8") for path in (NOTES / "drawings").glob("*.svg")} == made


@pytest.mark.parametrize("name", ["coil-primary", "capacitive-pickup", "coil-trigger"])
def test_a_drawing_has_the_values_of_its_netlist(name) -> None:
    units = {"kΩ": ("k", 1), "nF": ("n", 1), "MΩ": ("meg", 1)}
    drawn = re.findall(r">([\d.]+) (kΩ|nF)<", (NOTES / "drawings" / f"{name}.svg").read_text(encoding="utf-8"))
    netlist = (CIRCUITS / f"{name}.cir").read_text(encoding="utf-8") + (CIRCUITS / "parts.inc").read_text(
        encoding="utf-8")
    assert len(drawn) >= 3
    for value, unit in drawn:
        assert re.search(rf"\b{re.escape(value)}{units[unit][0]}\b", netlist), (name, value, unit)
