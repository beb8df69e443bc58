"""The JSON of a result: its fields, its numbers, and that nothing in it can be not a number."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from crankfold.analysis import Cranking, Cylinder, Engine, Health, Notice, Result, SyncFound
from crankfold.viewer.words import result_data, result_text
from crankfold.viewer.words.result_json import FORMAT

CONTRACT = ("format", "verdict", "reasons", "cylinders", "low", "low_positions", "sync", "cranking", "cautions")
CRANKING = {"onset_s", "end_s", "cycles", "rpm", "inrush_a", "mean_a", "sample_rate_hz", "run_up_s",
            "run_up_level", "judged_from_s", "judged_to_s"}


def test_the_fields_that_scripts_rely_on_are_there(uneven_result) -> None:
    data = json.loads(result_text(uneven_result))
    assert tuple(key for key in data if key in CONTRACT) == CONTRACT
    assert data["format"] == FORMAT == "crankfold.result/1"
    assert set(data["cranking"]) == CRANKING
    assert data["sync"].keys() >= {"kind", "cylinder", "events"}
    for at, cylinder in enumerate(data["cylinders"]):
        assert cylinder["position"] == at + 1
        assert cylinder["interval_percent"][0] <= cylinder["relative_percent"] <= cylinder["interval_percent"][1] + 1e-9
        assert cylinder["state"] in ("good", "watch", "low", "dead")
    assert (data["verdict"], data["low"], data["low_positions"], data["reasons"]) == ("uneven", [3], [2], [])


def test_no_verdict_says_why_and_has_no_cylinders() -> None:
    result = Result("none", Engine((1, 2)), reasons=(Notice("gap", {"longest_s": 0.4, "needed_s": 1.2}),))
    data = result_data(result)
    assert (data["verdict"], data["cylinders"], data["low"]) == ("none", [], [])
    assert data["cranking"] is data["sync"] is None
    assert data["reasons"][0]["code"] == "gap"
    assert "0.4 s" in data["reasons"][0]["text"]


def test_unnamed_cylinders_are_null_and_low_ones_known_by_position(even_result) -> None:
    low = tuple(replace(c, state="low") if c.position == 4 else c for c in even_result.cylinders)
    data = result_data(replace(even_result, verdict="uneven", cylinders=low))
    assert [c["cylinder"] for c in data["cylinders"]] == [None] * 4
    assert (data["low"], data["low_positions"]) == ([], [4])


def test_pressures_stand_beside_the_percentages() -> None:
    cylinder = Cylinder(1, 1, 90.0, (88.0, 92.0), "good", 10.8, (10.1, 11.5))
    data = result_data(Result("even", Engine((1,)), cylinders=(cylinder,)))
    assert (data["cylinders"][0]["pressure_bar"], data["cylinders"][0]["pressure_interval_bar"]) == (10.8, [10.1, 11.5])


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
def test_a_number_that_is_none_becomes_null(bad: float) -> None:
    result = Result("even", Engine((1, 2)), cranking=Cranking(bad, 2.0, bad, 1.0, bad, None, 1e3),
                    health=Health(bad, bad, bad, bad), sync=SyncFound("cam", 1, 3, bad),
                    cautions=(Notice("no-scale", {"unit": "V", "strange": bad}),))
    text = result_text(result)
    assert "NaN" not in text
    assert "Infinity" not in text
    assert json.loads(text)["cranking"]["onset_s"] is None


def test_hostile_text_survives_as_text() -> None:
    name = 'p\u00fcmp "\x1b[31m\x9b\u2028\u202e\U000e0001\udc80</script>\\'
    text = result_text(Result("even", replace(Engine((1, 2)), name=name)))
    assert json.loads(text)["engine"]["name"] == name
    assert "p\u00fcmp" in text
    assert all(c.isprintable() or c == "\n" for c in text)
    text.encode("utf-8")


def test_a_gauge_s_reading_stands_beside_each_cylinder(uneven_result: Result) -> None:
    data = result_data(uneven_result)
    assert data["at_gauge_speed"]["limit_percent"] == 75.0
    assert data["at_gauge_speed"]["limit_here_percent"] < 75.0
    for cylinder in data["cylinders"]:
        low, high = cylinder["at_gauge_speed_interval_percent"]
        assert low <= cylinder["at_gauge_speed_percent"] <= high
        assert cylinder["at_gauge_speed_percent"] >= min(100.0, cylinder["relative_percent"]) - 0.01
