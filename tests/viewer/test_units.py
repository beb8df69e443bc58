"""Pressures in the unit that people use, paper as their country cuts it, numbers with their decimal mark."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from crankfold.analysis import Engine, Gauge
from crankfold.viewer.words import pressure, use_units, usual_paper

ORDER = "1-3-4-2"
PSI_PER_BAR = 1e5 / 6894.757293168  # the pound-force per square inch in pascals, NIST SP 811 (2008), appendix B.8


@pytest.fixture(autouse=True)
def bar_again():
    yield
    use_units("bar")


@pytest.mark.parametrize(("unit", "said"), [("bar", "12 bar"), ("psi", f"{12 * PSI_PER_BAR:.0f} psi"),
                                            ("kPa", "1200 kPa")])
def test_a_pressure_is_written_in_the_unit_asked_for(unit: str, said: str) -> None:
    use_units(unit)
    assert pressure(12.0) == said


@pytest.mark.parametrize("text", ["1=175psi", "2=12.1bar", "3=1210kPa"])
def test_a_gauge_reading_comes_back_as_it_was_given(text: str) -> None:
    assert Gauge.parse(text, Engine((1, 2, 3))).text == text


def test_no_other_unit_is_taken(in_process, even_csv: Path) -> None:
    assert in_process("analyse", even_csv, "--firing-order", ORDER, "--units", "atm").returncode == 2
    with pytest.raises(ValueError, match="atm"):
        use_units("atm")


def test_result_and_json_agree_whatever_the_unit(in_process, dead_csv: Path) -> None:
    about = ("--firing-order", ORDER, "--sync", "waste-spark:1", "--json", "out.json")
    said = in_process("analyse", dead_csv, *about, "--gauge", "1=175psi").stdout
    assert "175 psi" in said
    assert " bar" not in said
    assert json.loads((in_process.folder / "out.json").read_text())["cylinders"][0]["pressure_bar"] == pytest.approx(
        175 / PSI_PER_BAR, rel=0.01)
    assert "1207 kPa" in in_process("analyse", dead_csv, *about, "--gauge", "1=175psi", "--units", "kpa").stdout


def test_the_rig_keeps_the_unit(in_process, dead_csv: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    assert "units = psi" in in_process("rig", "cart", "--from", "virtual", "--units", "psi").stdout
    about = ("--firing-order", ORDER, "--sync", "waste-spark:1", "--gauge", "1=12.1bar")
    assert "psi" in in_process("analyse", dead_csv, *about, "--rig", "cart").stdout


@pytest.mark.parametrize(("locale", "paper"), [("en_US.UTF-8", "letter"), ("en_GB.UTF-8", "a4"), ("de_DE", "a4"),
                                               ("C.UTF-8", "a4"), ("fr_CA.UTF-8", "letter")])
def test_paper_is_cut_as_in_the_country(locale: str, paper: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LC_ALL", locale)
    assert usual_paper() == paper


def test_the_sheet_is_made_for_the_paper_asked_for(in_process, dead_csv: Path) -> None:
    for size, said in (("letter", "size: letter"), ("a4", "size: A4")):
        in_process("sheet", dead_csv, "--firing-order", ORDER, "--size", size, "--out", "page.html")
        assert said in (in_process.folder / "page.html").read_text()
