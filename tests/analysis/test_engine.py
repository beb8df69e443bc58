"""Engines: orders, intervals, companions, and every way of describing one wrongly."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.analysis import Engine, InputError, SyncSpec


def test_even_four_strokes() -> None:
    engine = Engine.parse("1-3-4-2")
    assert engine.firing_order == (1, 3, 4, 2)
    assert engine.intervals_deg == (180.0,) * 4
    assert engine.firing_deg.tolist() == [0.0, 180.0, 360.0, 540.0]
    assert engine.even_firing and engine.pattern_length == 1


def test_two_strokes_fire_within_one_turn() -> None:
    engine = Engine.parse("1 2", strokes=2)
    assert engine.cycle_deg == 360.0
    assert engine.firing_deg.tolist() == [0.0, 180.0]
    assert engine.companion_of(1) is None


def test_a_short_list_of_intervals_repeats() -> None:
    engine = Engine.parse("1-2-3-4-5-6", "90-150")
    assert engine.intervals_deg == (90.0, 150.0) * 3
    assert engine.pattern_length == 2
    assert engine.firing_deg.tolist() == [0.0, 90.0, 240.0, 330.0, 480.0, 570.0]


@pytest.mark.parametrize(("order", "intervals", "length"), [
    ("1-2", "270-450", 2), ("1-2", "315-405", 2), ("1-3-2-4", "270-180-90-180", 4),
    ("1-2-3-4-5-6-7-8-9-10", "90-54", 2), ("1-2", "360-360", 1), ("1", None, 1),
])
def test_where_the_pattern_repeats(order: str, intervals: str | None, length: int) -> None:
    assert Engine.parse(order, intervals).pattern_length == length


def test_uneven_engines_have_companions_only_a_turn_apart() -> None:
    assert Engine.parse("1-2", "270-450").companion_of(1) is None
    assert Engine.parse("1-2-3-4-5-6", "90-150").companion_of(1) is None
    assert Engine.parse("1-3-4-2").companion_of(1) == 4
    assert Engine.parse("1-3-2").companion_of(1) is None


@given(st.permutations(range(1, 9)))
def test_even_companions_are_mutual(order: list[int]) -> None:
    engine = Engine(tuple(order))
    for cylinder in order:
        other = engine.companion_of(cylinder)
        assert other is not None and other != cylinder
        assert engine.companion_of(other) == cylinder


@given(st.lists(st.floats(10, 400), min_size=1, max_size=12))
def test_firing_angles_lie_within_the_cycle_and_rise(raw: list[float]) -> None:
    intervals = np.array(raw) * 720.0 / sum(raw)
    engine = Engine(tuple(range(1, len(raw) + 1)), tuple(intervals))
    assert engine.firing_deg[0] == 0.0
    assert np.all(np.diff(engine.firing_deg) > 0)
    assert engine.firing_deg[-1] < 720.0


@pytest.mark.parametrize(("order", "intervals", "strokes", "says"), [
    ("1-3-3-2", None, 4, "names cylinder 3 twice"),
    ("", None, 4, "no usable numbers"),
    ("one-two", None, 4, "is not numbers"),
    ("1.5-2", None, 4, "whole numbers"),
    ("0-1", None, 4, "numbered from 1"),
    ("-".join(str(k) for k in range(1, 20)), None, 4, "19 cylinders"),
    ("1-2", "270-400", 4, "add up to 670"),
    ("1-2", "270-450", 2, "a 2-stroke cycle has 360"),
    ("1-2-3", "270-450", 4, "do not repeat evenly"),
    ("1-2", "0-720", 4, "add up to"),
    ("1-2", "nan-720", 4, "no usable numbers"),
    ("1-2", None, 3, "has 2 or 4"),
])
def test_an_impossible_engine_is_refused_in_words(order: str, intervals: str | None, strokes: int, says: str) -> None:
    with pytest.raises(InputError, match=says):
        Engine.parse(order, intervals, strokes)


@pytest.mark.parametrize("text", ["waste-spark:1", "single-spark:3", "cam:2@200", "cam:4@-35.5", "pressure:4",
                                  "plug-out:2"])
def test_sync_is_written_as_it_was_read(text: str) -> None:
    spec = SyncSpec.parse(text, Engine.parse("1-3-4-2"))
    assert spec is not None
    assert str(spec) == text


@pytest.mark.parametrize("text", [None, "", "none", " None "])
def test_no_sync(text: str | None) -> None:
    assert SyncSpec.parse(text, Engine.parse("1-3-4-2")) is None


@pytest.mark.parametrize(("text", "says"), [
    ("waste-spark", "is not one of"), ("waste-spark:1@20", "is not one of"), ("cam:1", "lacks the crank degrees"),
    ("crank:1", "is not one of"), ("cam:1@x", "lacks the crank degrees"), ("single-spark:7", "no cylinder 7"),
])
def test_a_sync_that_cannot_be_is_refused_in_words(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        SyncSpec.parse(text, Engine.parse("1-3-4-2"))


def test_an_engine_has_cylinders_and_a_mark_no_angle_unless_given() -> None:
    with pytest.raises(InputError, match="0 cylinders"):
        Engine(())
    assert SyncSpec("waste-spark", 1).edge_deg == 0.0
    assert str(SyncSpec("cam", 1)) == "cam:1@0"


@pytest.mark.parametrize(("given", "says"), [
    ({"fuel": "petrol"}, "it is spark or diesel"), ({"system_v": 9.0}, "volts 9: it is 12 or 24"),
    ({"intervals_deg": (-90.0, 810.0)}, "add up to 720 degrees")])
def test_fuel_and_volts_are_known_ones_and_no_interval_runs_back(given, says) -> None:
    with pytest.raises(InputError, match=says):
        Engine((1, 2), **given)


@pytest.mark.parametrize(("intervals", "good"), [((269.6, 450.0), True), ((269.4, 450.0), False)])
def test_whole_degrees_may_miss_the_cycle_by_rounding(intervals, good) -> None:
    if good:
        assert Engine((1, 2), intervals).intervals_deg == intervals
        return
    with pytest.raises(InputError, match="add up to"):
        Engine((1, 2), intervals)


def test_sixteen_cylinders_are_the_most() -> None:
    assert Engine(tuple(range(1, 17))).cylinders == 16
    with pytest.raises(InputError, match="17 cylinders"):
        Engine(tuple(range(1, 18)))


@pytest.mark.parametrize("volts", [6.0, 12.0, 24.0])
def test_the_electrics_of_old_and_large_engines_are_known(volts) -> None:
    assert Engine((1, 2), system_v=volts).system_v == volts


@pytest.mark.parametrize(("order", "said"), [
    ("1342", "1342 is one cylinder with the number 1342; write it like 1-3-4-2"), ("2", "call it 1"),
    ("1-3-4-5", "has a cylinder 5 and no cylinder 2"), ("1-2-3-99", "has a cylinder 99 and no cylinder 4"),
    ("1-2222222222222222222222222222222", "and no cylinder 2"), ("1-3-9e300", "and no cylinder 2")])
def test_an_order_with_holes_is_a_mistake(order: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        Engine.parse(order)


@pytest.mark.parametrize("order", [(1, 3, 4, 2.5), "1342", ("1", "2"), 4, None, (True, 2), (1, None), (1, 2j)])
def test_what_is_no_order_is_one_sentence(order: object) -> None:
    with pytest.raises(InputError, match="firing order"):
        Engine(order)  # type: ignore[arg-type]


def test_whole_numbers_of_any_kind_are_taken() -> None:
    import numpy as np

    assert Engine(np.array([1, 3, 4, 2])).firing_order == (1, 3, 4, 2)  # type: ignore[arg-type]
    assert Engine((1.0, 2.0)).firing_order == (1, 2)  # type: ignore[arg-type]


@pytest.mark.parametrize("intervals", ["180", 5, (None,), ("a",), (float("nan"),)])
def test_what_are_no_intervals_is_one_sentence(intervals: object) -> None:
    with pytest.raises(InputError, match="intervals"):
        Engine((1, 2), intervals)  # type: ignore[arg-type]


def test_a_cam_without_its_degrees_is_asked_for_them() -> None:
    with pytest.raises(InputError, match="lacks the crank degrees"):
        SyncSpec.parse("cam:1", Engine((1, 3, 4, 2)))
