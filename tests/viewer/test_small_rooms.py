"""Numbers as people write them, lines a terminal may be given, and files that are whole or not there."""

from __future__ import annotations

from pathlib import Path

import pytest

from crankfold.analysis import InputError
from crankfold.viewer.session import Outputs, check_writable, judge, question_of, settings_of
from crankfold.viewer.words import headline, numbers, safety, tame

DEFAULTS = {"firing_order": "1-3-4-2", "intervals": None, "strokes": 4, "engine_name": "", "clamp": None, "probe": None,
            "sync": None, "gauge": None, "misfire_codes": (), "low": 75.0, "dead": 15.0, "watch": None}


@pytest.mark.parametrize(("name", "value", "text"), [
    ("relative_percent", 97.6, "98"), ("relative_percent", -0.3, "0"), ("mean_a", 163.4, "163"),
    ("length_s", 2.5, "2.5"), ("length_s", 0.0123, "0.012"), ("length_s", 4.0, "4"),
    ("cylinders", (2, 3, 5), "2, 3 and 5"), ("cylinders", (2,), "2"),
    ("events", 9, "9"), ("pressure_bar", 12.06, "12.1 bar"), ("odd", 1234.5, "1234"), ("odd", 0.01234, "0.0123"),
    ("odd", 0.0, "0"), ("odd", float("nan"), "?"), ("name", "pump", "pump"), ("name", None, ""),
])
def test_numbers_get_the_digits_their_unit_deserves(name: str, value: object, text: str) -> None:
    assert numbers.written(name, value) == text


def test_the_decimal_mark_is_that_of_the_locale(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numbers, "decimal_mark", lambda: ",")
    assert numbers.written("length_s", 2.5) == "2,5"


def test_a_terminal_is_given_nothing_to_obey() -> None:
    assert tame("a\x1b[2Jb\x07c\u202ed\x9be\ud800f\nnext\ttab") == "a?[2Jb?c?d?e?f next tab"
    assert tame("Öl 12 µΩ 圧縮") == "Öl 12 µΩ 圧縮"


def test_files_are_written_together(tmp_path: Path) -> None:
    with Outputs() as outputs:
        outputs.add(tmp_path / "a.json", b"one")
        outputs.add(tmp_path / "b.svg", b"two")
        assert not (tmp_path / "a.json").exists()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"a.json": b"one", "b.svg": b"two"}
    assert (tmp_path / "a.json").stat().st_mode & 0o400


@pytest.mark.parametrize("what", [InputError("no"), KeyboardInterrupt()])
def test_nothing_is_left_when_something_goes_wrong(tmp_path: Path, what: BaseException) -> None:
    old = tmp_path / "a.json"
    old.write_bytes(b"old")

    def fail() -> None:
        with Outputs() as outputs:
            outputs.add(old, b"new")
            raise what

    with pytest.raises(type(what)):
        fail()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"a.json": b"old"}


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no folder"):
        check_writable(tmp_path / "nowhere" / "a.json")
    with pytest.raises(InputError, match="is a folder"):
        check_writable(tmp_path)
    with pytest.raises(InputError, match="can't write"), Outputs() as outputs:
        outputs.add(tmp_path / "nowhere" / "a.json", b"")
    assert not list(tmp_path.iterdir())


def test_settings_are_names_and_values() -> None:
    assert settings_of(["rate=500", "note=a=b"]) == {"rate": "500", "note": "a=b"}
    with pytest.raises(InputError, match="NAME=VALUE"):
        settings_of(["rate"])
    with pytest.raises(InputError, match="twice"):
        settings_of(["rate=1", "rate=2"])


def test_a_question_holds_what_the_options_say() -> None:
    asked = question_of({**DEFAULTS, "sync": "cam:3@200", "gauge": "1=12.1bar", "low": 80.0, "clamp": "10mV/A",
                         "misfire_codes": ("P0302",)})
    assert (asked.sync.kind, asked.sync.cylinder, asked.sync.edge_deg) == ("cam", 3, 200.0)
    assert (asked.thresholds.low_percent, asked.thresholds.watch_percent) == (80.0, 90.0)
    assert (asked.gauge.cylinder, asked.gauge.bar) == (1, 12.1)
    assert asked.probe.per_ampere == 0.01
    assert asked.misfire_codes == ("P0302",)


def test_the_verdict_is_said_in_one_sentence(uneven_result, even_result) -> None:
    assert headline(uneven_result) == "Cylinder 3 has no compression."
    assert headline(even_result) == "All 4 cylinders are even."


def test_before_cranking_the_dangers_are_named() -> None:
    said = " ".join(safety())
    for word in ("belts", "Fuel disabled", "gas", "10 seconds", "Local codes and licensed practice"):
        assert word in said


def test_the_card_of_a_24_volt_engine_doubles_the_voltage(dead_three, tmp_path: Path) -> None:
    card = tmp_path / "tug.toml"
    card.write_text('firing_order = "1-3-4-2"\nsystem_v = 24\n')
    usual = judge(dead_three, question_of(DEFAULTS)).result.health
    doubled = judge(dead_three, question_of({**DEFAULTS, "firing_order": None, "engine": str(card)})).result
    assert usual is not None
    assert doubled.health is not None
    assert doubled.engine.name == "tug"
    assert doubled.health.voltage_v == 2.0 * usual.voltage_v
    assert doubled.health.resistance_ohm == pytest.approx(2.0 * usual.resistance_ohm)
