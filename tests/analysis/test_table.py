"""A result as rows: every cell by its name, and nothing but plain values."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from crankfold.analysis import CYLINDER, Cranking, Cylinder, Engine, Health, Notice, Result, SyncFound, result_row
from crankfold.analysis.many.table import cylinder_rows

TWIN = Engine((2, 1), (270, 450), name="Harbour twin", fuel="diesel", system_v=24.0)
RESULT = Result(
    "uneven", TWIN, cylinders=(
        Cylinder(1, 2, 100.0, (97.123456, 103.0), "good", 24.5, (23.0, 26.0)),
        Cylinder(2, 1, 41.25, (38.0, 44.5), "low")),
    sync=SyncFound("cam", 2, 9, 0.98765432),
    cranking=Cranking(0.5, 4.5, 6.125, 183.0, 612.0, None, 10_000.0),
    cautions=(Notice("no-quiet"), Notice("two-cylinders")), notes=(Notice("gauge-used"),), pattern=Notice("one-low"),
    health=Health(sag_percent=3.0, stall_current_a=700.0, resistance_ohm=0.0360004, voltage_v=25.2))


def test_a_result_as_one_flat_row():
    row = result_row(RESULT)
    assert row == {
        "verdict": "uneven", "reasons": None, "low": "1", "low_positions": "2", "weakest_percent": 41.25,
        "cautions": "no-quiet two-cylinders", "notes": "gauge-used", "pattern": "one-low", "engine": "Harbour twin",
        "firing_order": "2-1", "intervals_deg": "270-450", "strokes": 4, "fuel": "diesel", "system_v": 24.0,
        "sync": "cam", "sync_cylinder": 2, "sync_events": 9, "sync_confidence": 0.9877,
        "onset_s": 0.5, "end_s": 4.5, "cycles": 6.125, "rpm": 183.0, "inrush_a": 612.0, "mean_a": None,
        "sample_rate_hz": 10_000.0, "sag_percent": 3.0, "stall_current_a": 700.0, "resistance_ohm": 0.036,
        "voltage_v": 25.2,
        "position_1_cylinder": 2, "position_1_relative_percent": 100.0, "position_1_low_end_percent": 97.1235,
        "position_1_high_end_percent": 103.0, "position_1_state": "good", "position_1_pressure_bar": 24.5,
        "position_1_low_end_bar": 23.0, "position_1_high_end_bar": 26.0,
        "position_2_cylinder": 1, "position_2_relative_percent": 41.25, "position_2_low_end_percent": 38.0,
        "position_2_high_end_percent": 44.5, "position_2_state": "low", "position_2_pressure_bar": None,
        "position_2_low_end_bar": None, "position_2_high_end_bar": None}


def test_without_a_verdict_the_names_are_the_same_and_the_cells_empty():
    """So that rows of many results make one table; nothing is known of a plain engine's name or fuel either."""
    nothing = result_row(Result("none", Engine((2, 1), (270, 450)), reasons=(Notice("gap"), Notice("too-short"))))
    assert list(nothing) == list(result_row(RESULT))
    known = {name: cell for name, cell in nothing.items() if cell is not None}
    assert known == {"verdict": "none", "reasons": "gap too-short", "firing_order": "2-1", "intervals_deg": "270-450",
                     "strokes": 4, "system_v": 12.0}


def test_a_row_a_cylinder_in_firing_order():
    rows = cylinder_rows(RESULT)
    assert [(r["position"], r["cylinder"], r["state"]) for r in rows] == [(1, 2, "good"), (2, 1, "low")]
    assert all(set(r) == {"position", *CYLINDER} for r in rows)
    assert cylinder_rows(Result("none", TWIN, reasons=(Notice("gap"),))) == []


@pytest.mark.parametrize("odd", [math.nan, math.inf])
def test_what_is_no_number_is_an_empty_cell(odd):
    row = result_row(replace(RESULT, cranking=Cranking(0.5, odd, 6.0, 183.0, None, None, 1.0)))
    assert (row["end_s"], row["onset_s"]) == (None, 0.5)
