"""Names by crank angle: every position, every kind of mark, and when not to name."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.engine import Engine, SyncSpec
from crankfold.analysis.marks import Marks
from crankfold.analysis.naming import name_by_marks, name_by_pattern, name_by_plug_out

FOUR = Engine((1, 3, 4, 2))
SIX = Engine((1, 5, 3, 6, 2, 4))
THREE = Engine((1, 3, 2))
FIVE = Engine((1, 2, 4, 5, 3))
ODD_SIX = Engine((1, 6, 5, 4, 3, 2), (90, 150))
TWIN = Engine((1, 2), (270, 450))
CROSS = Engine((1, 3, 2, 4), (270, 180, 90, 180))
TWO_STROKE = Engine((1, 3, 2), strokes=2)
TWELVE = Engine((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9))


def marked(times, heights=None, unit="kV"):
    times = np.sort(np.asarray(times, dtype=float))
    heights = np.full(len(times), 10.0) if heights is None else np.asarray(heights, dtype=float)
    return Marks(times, heights, np.ones(len(times), dtype=np.int64), unit, False, 0.0)


def events(estimate, engine, index, off_deg, every=None):
    """Angles, off a position's TDC, of every cycle (or every turn) within the track."""
    every = engine.cycle_deg if every is None else every
    at = engine.firing_deg[index] + off_deg + every * np.arange(-3, 60)
    return at[(at > estimate.angle_deg[0]) & (at < estimate.angle_deg[-1])]


@pytest.mark.parametrize("engine", [FOUR, SIX, THREE, FIVE, TWELVE, TWO_STROKE], ids=lambda e: str(e.cylinders))
@pytest.mark.parametrize("lead", [3.0, 7.0, 12.0])
def test_a_single_spark_names_every_position_whatever_its_lead(engine, lead, estimate_of, when):
    estimate = estimate_of(engine)
    for cylinder in engine.firing_order:
        for index in range(engine.cylinders):
            marks = marked(when(estimate, events(estimate, engine, index, -lead)))
            naming = name_by_marks(marks, SyncSpec("single-spark", cylinder), engine, [estimate])
            assert naming.first == (index - engine.position_of(cylinder)) % engine.cylinders
            assert naming.sync.cylinder == cylinder
            assert naming.sync.confidence > 0.95


@pytest.mark.parametrize("edge", [-200.0, -30.0, 0.0, 40.0, 200.0, 350.0])
@pytest.mark.parametrize("engine", [FOUR, SIX, THREE], ids=["4", "6", "3"])
def test_a_cam_edge_names_by_its_angle(edge, engine, estimate_of, when):
    estimate = estimate_of(engine)
    for index in range(engine.cylinders):
        marks = marked(when(estimate, events(estimate, engine, index, edge)))
        naming = name_by_marks(marks, SyncSpec("cam", engine.firing_order[1], edge), engine, [estimate])
        assert naming.first == (index - 1) % engine.cylinders


def test_a_pressure_peak_lies_at_its_own_tdc(estimate_of, when):
    estimate = estimate_of(SIX)
    marks = marked(when(estimate, events(estimate, SIX, 4, -1.5)), unit="bar")
    assert name_by_marks(marks, SyncSpec("pressure", 3), SIX, [estimate]).first == 2


def waste(estimate, engine, index, *, tall=11.0, short=2.6, lead=7.0, spread=0.08, seed=0):
    """Angles and heights of sparks on both strokes of a position."""
    rng = np.random.default_rng(seed)
    at = events(estimate, engine, index, -lead, 360.0)
    on_compression = np.abs((at + lead - engine.firing_deg[index] + 360) % 720 - 360) < 90
    return at, np.where(on_compression, tall, short) * np.exp(spread * rng.standard_normal(len(at)))


@pytest.mark.parametrize("engine", [FOUR, SIX, TWELVE], ids=["4", "6", "12"])
def test_waste_spark_is_named_by_the_tall_stroke(engine, estimate_of, when):
    estimate = estimate_of(engine)
    for index in range(engine.cylinders):
        at, heights = waste(estimate, engine, index)
        naming = name_by_marks(marked(when(estimate, at), heights), SyncSpec("waste-spark", engine.firing_order[0]),
                               engine, [estimate])
        assert naming.first == index
        assert naming.sync.confidence > 0.95


@pytest.mark.parametrize(("tall", "named"), [(2.6, False), (3.0, False), (4.2, True)])
def test_sparks_alike_on_both_strokes_are_never_named_by_height(tall, named, estimate_of, when):
    estimate = estimate_of(FOUR)
    at, heights = waste(estimate, FOUR, 2, tall=tall)
    naming = name_by_marks(marked(when(estimate, at), heights), SyncSpec("waste-spark", 1), FOUR, [estimate])
    assert (naming.first == 2) if named else (naming.first is None)
    if not named:
        assert naming.caution.code == "sync-cannot-name"
        assert naming.caution.facts["why"] == "strokes-alike"
        assert naming.caution.facts["companion"] == 4


@pytest.mark.parametrize("engine", [THREE, FIVE], ids=["3", "5"])
def test_odd_counts_have_no_companion_so_angle_names_them_even_with_sparks_alike(engine, estimate_of, when):
    estimate = estimate_of(engine)
    for index in range(engine.cylinders):
        at, _ = waste(estimate, engine, index)
        naming = name_by_marks(marked(when(estimate, at)), SyncSpec("waste-spark", engine.firing_order[0]), engine,
                               [estimate])
        assert naming.first == index


def test_a_coil_that_fires_on_both_strokes_is_treated_like_waste_spark(estimate_of, when):
    estimate = estimate_of(SIX)
    at, heights = waste(estimate, SIX, 1)
    assert name_by_marks(marked(when(estimate, at), heights), SyncSpec("single-spark", 1), SIX, [estimate]).first == 1
    naming = name_by_marks(marked(when(estimate, at)), SyncSpec("single-spark", 1), SIX, [estimate])
    assert naming.caution.facts["why"] == "strokes-alike"


def test_missed_doubled_and_stray_marks_are_outvoted(estimate_of, when):
    estimate = estimate_of(FOUR, rpm=220.0, seconds=6.0)
    rng = np.random.default_rng(4)
    at, heights = waste(estimate, FOUR, 3)
    keep = rng.uniform(size=len(at)) > 0.25
    times = when(estimate, at[keep])
    stray = rng.uniform(estimate.time_s[0], estimate.time_s[-1], 4)
    order = np.argsort(np.concatenate((times, times[:2] + 0.004, stray)))
    all_times = np.concatenate((times, times[:2] + 0.004, stray))[order]
    all_heights = np.concatenate((heights[keep], heights[keep][:2] * 0.8, rng.uniform(2, 5, 4)))[order]
    naming = name_by_marks(marked(all_times, all_heights), SyncSpec("waste-spark", 4), FOUR, [estimate])
    assert naming.first == (3 - 2) % 4


def test_marks_anywhere_name_nobody(estimate_of):
    estimate = estimate_of(FOUR, seconds=6.0)
    rng = np.random.default_rng(7)
    for _ in range(40):
        times = rng.uniform(estimate.time_s[0], estimate.time_s[-1], 12)
        naming = name_by_marks(marked(times, rng.uniform(2, 12, 12)), SyncSpec("waste-spark", 1), FOUR, [estimate])
        assert naming.first is None
        assert naming.caution.facts["why"] in ("marks-scatter", "marks-missing")


@pytest.mark.parametrize("off", [45.0, -50.0, 90.0])
def test_marks_between_two_tdcs_name_nobody(off, estimate_of, when):
    estimate = estimate_of(FOUR)
    marks = marked(when(estimate, events(estimate, FOUR, 1, off)))
    naming = name_by_marks(marks, SyncSpec("cam", 1, 0.0), FOUR, [estimate])
    assert naming.first is None
    assert naming.caution.facts["why"] == "marks-between"


def test_one_mark_is_too_few_and_two_will_do(estimate_of, when):
    estimate = estimate_of(FOUR, seconds=1.2)
    times = when(estimate, events(estimate, FOUR, 1, -7.0))
    assert len(times) == 2
    assert name_by_marks(marked(times[:1]), SyncSpec("single-spark", 1), FOUR, [estimate]).caution.facts == {
        "why": "too-few-marks", "marks": 1, "needed": 2}
    assert name_by_marks(marked(times), SyncSpec("single-spark", 1), FOUR, [estimate]).first == 1


@pytest.mark.parametrize("engine", [ODD_SIX, TWIN, CROSS], ids=["90/150", "270/450", "270/180/90/180"])
def test_uneven_firing_takes_the_placement_that_agrees_with_the_marks(engine, estimate_of, when):
    """The second explanation, whose pattern lies where the marks want it, wins over the first."""
    repeat = engine.pattern_length
    wrong = estimate_of(engine, first_deg=-100.0 - engine.firing_deg[1])
    right = estimate_of(engine, first_deg=-100.0, explained=0.985, cost=0.015)
    times = when(right, events(right, engine, repeat % engine.cylinders, -7.0))
    naming = name_by_marks(marked(times), SyncSpec("single-spark", engine.firing_order[0]), engine, [wrong, right])
    assert naming.chosen == 1
    assert naming.first == repeat % engine.cylinders
    alone = name_by_marks(marked(times), SyncSpec("single-spark", engine.firing_order[0]), engine, [wrong])
    assert alone.first is None


def test_an_explanation_that_hardly_explains_is_not_chosen_for_its_marks(estimate_of, when):
    wrong = estimate_of(TWIN, first_deg=-100.0 - TWIN.firing_deg[1])
    poor = estimate_of(TWIN, explained=0.9)
    times = when(poor, events(poor, TWIN, 0, -7.0))
    assert name_by_marks(marked(times), SyncSpec("single-spark", 1), TWIN, [wrong, poor]).first is None


def test_only_a_pattern_that_does_not_repeat_names_by_itself(estimate_of):
    assert name_by_pattern(FOUR, [estimate_of(FOUR)]).first is None
    assert name_by_pattern(ODD_SIX, [estimate_of(ODD_SIX)]).first is None
    assert name_by_pattern(TWIN, [estimate_of(TWIN)]).first == 0
    assert name_by_pattern(CROSS, [estimate_of(CROSS)]).first == 0
    assert name_by_pattern(Engine((7,)), [estimate_of(Engine((7,)))]).first == 0


@pytest.mark.parametrize(("cost", "explained", "named"), [(0.05, 0.95, True), (0.0015, 0.9985, False),
                                                          (0.004, 0.996, False)])
def test_two_placements_that_fit_alike_leave_the_cylinders_unnamed(cost, explained, named, estimate_of):
    other = estimate_of(TWIN, cost=cost, explained=explained)
    naming = name_by_pattern(TWIN, [estimate_of(TWIN), other])
    assert (naming.first == 0) is named
    assert named or naming.caution.code == "pattern-ambiguous"


@pytest.mark.parametrize(("relative", "named"), [((100, 25), True), ((100, 15), False)])
def test_one_hump_a_cycle_fits_either_place_of_two(relative, named, estimate_of):
    naming = name_by_pattern(TWIN, [estimate_of(TWIN, relative=relative)])
    assert (naming.first == 0) is named
    assert named or naming.caution.code == "pattern-ambiguous"


@pytest.mark.parametrize(("relative", "first"), [
    ((100, 97, 2, 99), 1), ((100, 40, 2, 99), 1), ((100, 97, 20, 99), None), ((100, 9, 2, 99), None),
])
def test_a_plug_taken_out_names_the_only_dead_position(relative, first, estimate_of):
    naming = name_by_plug_out(SyncSpec("plug-out", 3), FOUR, [estimate_of(FOUR, relative=relative)])
    assert naming.first == first
    if first is None:
        assert naming.caution.facts["why"] == "plug-out-not-seen"
    else:
        assert naming.caution.code == "plug-out-cylinder"


@pytest.mark.parametrize(("bar", "first"), [(0.6, 1), (4.0, None)])
def test_a_pressure_channel_without_pressure_marks_the_dead_cylinder(bar, first, estimate_of):
    """Its peaks lie anywhere but at TDC; that there is no pressure is what tells."""
    estimate = estimate_of(FOUR, relative=(100, 97, 2, 99))
    marks = marked([1.3, 2.0, 2.6, 3.4], np.full(4, bar), unit="bar")
    naming = name_by_marks(marks, SyncSpec("pressure", 3), FOUR, [estimate])
    assert naming.first == first
    assert (naming.caution is None) is (first is not None)
