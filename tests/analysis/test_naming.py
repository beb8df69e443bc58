"""Names by crank angle: every position, every kind of mark, and when not to name."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Engine, SyncSpec
from crankfold.analysis.sync import Marks, Naming, name_by_marks, name_by_pattern, name_by_plug_out

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


@pytest.mark.parametrize("off", [65.0, -70.0, 90.0])
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
    right = estimate_of(engine, first_deg=-100.0, placed=0.3)
    times = when(right, events(right, engine, repeat % engine.cylinders, -7.0))
    naming = name_by_marks(marked(times), SyncSpec("single-spark", engine.firing_order[0]), engine, [wrong, right])
    assert naming.chosen == 1
    assert naming.first == repeat % engine.cylinders
    alone = name_by_marks(marked(times), SyncSpec("single-spark", engine.firing_order[0]), engine, [wrong])
    assert alone.first is None


def test_only_a_pattern_that_does_not_repeat_names_by_itself(estimate_of):
    assert name_by_pattern(FOUR, [estimate_of(FOUR)]).first is None
    assert name_by_pattern(ODD_SIX, [estimate_of(ODD_SIX)]).first is None
    assert name_by_pattern(TWIN, [estimate_of(TWIN)]).first == 0
    assert name_by_pattern(CROSS, [estimate_of(CROSS)]).first == 0
    assert name_by_pattern(Engine((1,)), [estimate_of(Engine((1,)))]) == Naming(0, 0)


@pytest.mark.parametrize(("placed", "named"), [(0.96, True), (0.94, False)])
def test_two_placements_that_are_both_likely_leave_the_cylinders_unnamed(placed, named, estimate_of):
    naming = name_by_pattern(TWIN, [estimate_of(TWIN, placed=placed)])
    assert (naming.first == 0) is named
    assert named or naming.caution.code == "pattern-ambiguous"


@pytest.mark.parametrize(("relative", "named"), [((100, 25), True), ((100, 15), False)])
def test_one_hump_a_cycle_fits_either_place_of_two(relative, named, estimate_of):
    naming = name_by_pattern(TWIN, [estimate_of(TWIN, relative=relative)])
    assert (naming.first == 0) is named
    assert naming.chosen == 0
    assert named or naming.caution.code == "pattern-ambiguous"


@pytest.mark.parametrize(("relative", "named"), [
    ((99, 100, 2, 96), False), ((96, 99, 100, 2), False), ((99, 100, 25, 96), True), ((2, 100, 96, 99), True),
    ((100, 2, 96, 99), True), ((100, 2, 3, 99), False), ((100, 3, 2, 1), False),
])
def test_a_pattern_with_cylinders_gone_names_only_where_the_rest_fits_one_way(relative, named, estimate_of):
    """Of 270-180-90-180 without either end of the 90, 270-270-180 is left: nobody can say which end it was."""
    naming = name_by_pattern(CROSS, [estimate_of(CROSS, relative=relative)])
    assert (naming.first == 0) is named
    assert named or naming.caution.code == "pattern-ambiguous"


@pytest.mark.parametrize(("relative", "first"), [
    ((100, 97, 2, 99), 1), ((100, 35.5, 2, 99), 1), ((100, 97, 14.5, 99), 1), ((100, 97, 15.5, 99), None),
    ((100, 34.5, 2, 99), None), ((100, 9, 2, 99), None),
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


def named(marks, text, engine, estimate):
    return name_by_marks(marks, SyncSpec.parse(text, engine), engine, [estimate])


def angles_to(estimate, when, angles, heights=None, unit="kV"):
    """Marks at crank angles in any order, each with its height."""
    order = np.argsort(angles)
    heights = None if heights is None else np.asarray(heights, float)[order]
    return marked(when(estimate, np.asarray(angles, float)[order]), heights, unit)


NINE = Engine((1, 3, 5, 7, 9, 2, 4, 6, 8))


@pytest.mark.parametrize(("text", "engine", "lead", "good", "bad"), [
    ("cam:1@0", FOUR, 0.0, 59.5, 60.5),         # a heavy starter's lag
    ("single-spark:1", THREE, 7.5, 59.5, 60.5),
    ("cam:1@0", ODD_SIX, 0.0, 24.5, 25.5),      # another placement of the pattern may be meant
])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_how_far_from_tdc_a_mark_may_lie(text, engine, lead, good, bad, side, estimate_of, when):
    estimate = estimate_of(engine)
    near, far = (named(marked(when(estimate, events(estimate, engine, 2, side * off - lead))), text, engine, estimate)
                 for off in (good, bad))
    assert near.first == 2
    assert far.first is None
    assert far.caution.facts == {"why": "marks-between", "off_deg": pytest.approx(side * bad, abs=0.1)}


def test_where_tdcs_are_close_the_name_is_less_sure_the_further_off_the_marks(estimate_of, when):
    """Twelve cylinders: 60 degrees from TDC to TDC, so 30 to the middle, of which 8 are one standard deviation."""
    estimate = estimate_of(TWELVE)

    def at(off):
        return named(marked(when(estimate, events(estimate, TWELVE, 0, off))), "cam:1@0", TWELVE, estimate)

    assert at(15.0).sync.confidence == pytest.approx(0.970, abs=0.001)  # 15 / 8 = 1.875 standard deviations
    assert at(-15.0).sync.confidence == pytest.approx(0.970, abs=0.001)
    assert at(20.0).caution.facts == {"why": "unsure", "confidence_percent": 89}  # 10 / 8 = 1.25
    assert at(24.5).caution.facts["why"] == "marks-between"  # four tenths of 60
    sparks, heights = waste(estimate, TWELVE, 0, lead=7.5 - 15.0, spread=0.0)
    spark = named(marked(when(estimate, sparks), heights), "waste-spark:1", TWELVE, estimate)
    assert spark.sync.confidence == pytest.approx(0.970, abs=0.001)


def test_three_marks_in_five_must_agree(estimate_of, when):
    estimate = estimate_of(FOUR, seconds=8.0)
    at = events(estimate, FOUR, 1, 0.0)
    assert len(at) == 12
    stray = events(estimate, FOUR, 1, 90.0)
    enough = named(angles_to(estimate, when, [*at, *stray[:8]]), "cam:1@0", FOUR, estimate)
    assert (enough.first, enough.sync.events) == (1, 20)
    assert enough.sync.confidence == pytest.approx(0.96, abs=0.002)  # a tenth of the four tenths that do not agree
    few = named(angles_to(estimate, when, [*at, *stray[:9]]), "cam:1@0", FOUR, estimate)
    assert few.caution.facts == {"why": "marks-scatter", "marks": 21, "agree": 12}


@pytest.mark.parametrize(("apart", "first"), [(14.5, 1), (15.5, None)])
def test_marks_fifteen_degrees_apart_are_one_event(apart, first, estimate_of, when):
    estimate = estimate_of(FOUR, seconds=8.0)
    at = [*events(estimate, FOUR, 1, 0.0), *events(estimate, FOUR, 1, apart)[:9]]
    assert named(angles_to(estimate, when, at), "cam:1@0", FOUR, estimate).first == first


@pytest.mark.parametrize(("text", "every", "enough"), [("cam:1@0", 720.0, 5), ("waste-spark:1", 360.0, 10)])
def test_four_in_ten_of_the_turns_must_be_marked(text, every, enough, estimate_of, when):
    """Eight seconds at 180 turns a minute are 24 turns; a mark that comes twice is one."""
    estimate = estimate_of(FOUR, seconds=8.0)
    at = events(estimate, FOUR, 1, 0.0, every)
    heights = np.where((at - at[0]) % 720.0 < 1.0, 10.0, 3.0)
    assert named(angles_to(estimate, when, at[:enough], heights[:enough]), text, FOUR, estimate).first is not None
    twice = np.concatenate((at[: enough - 1], at[: enough - 1] + 1.0))
    missing = named(angles_to(estimate, when, twice, np.tile(heights[: enough - 1], 2)), text, FOUR, estimate)
    assert missing.caution.facts["why"] == "marks-missing"
    assert missing.caution.facts["seen_percent"] == pytest.approx(100 * (enough - 1) / (8640 / every - 0.5), abs=0.5)


def test_marks_outside_the_judged_cranking_do_not_count(estimate_of, when):
    estimate = estimate_of(FOUR)
    inside = when(estimate, events(estimate, FOUR, 1, -7.5))
    outside = np.concatenate((np.linspace(0.1, 0.9, 12), np.linspace(5.1, 6.0, 12)))
    assert named(marked([*inside, *outside]), "single-spark:1", FOUR, estimate).first == 1


def test_one_cylinder_is_itself_whatever_marks_it(estimate_of, when):
    alone = Engine((1,))
    estimate = estimate_of(alone)
    assert named(marked(when(estimate, events(estimate, alone, 0, 20.0))), "cam:1@0", alone, estimate).first == 0


@pytest.mark.parametrize("engine", [THREE, FIVE], ids=["3", "5"])
def test_tall_sparks_on_the_stroke_that_the_angle_rules_out_name_nobody(engine, estimate_of, when):
    estimate = estimate_of(engine)
    at, heights = waste(estimate, engine, 1, tall=2.6, short=11.0)
    naming = named(marked(when(estimate, at), heights), "waste-spark:1", engine, estimate)
    assert naming.first is None
    assert naming.caution.facts == {"why": "height-against-angle", "off_deg": pytest.approx(0.5, abs=0.2)}


def test_nine_cylinders_with_sparks_between_two_tdcs(estimate_of, when):
    """40 degrees from one stroke's TDC to the other's: at 15 from one, 25 from the other, angle alone does not tell."""
    estimate = estimate_of(NINE)

    def sparks(tall, short, off=15.0):
        at, heights = waste(estimate, NINE, 3, tall=tall, short=short, lead=7.5 - off, spread=0.0)
        return named(marked(when(estimate, at), heights), "waste-spark:1", NINE, estimate)

    assert sparks(10.0, 10.0, 12.0).first == 3
    assert sparks(10.0, 10.0, 13.7).caution.facts["why"] == "unsure"  # 12.6 nearer, where 8 is one standard deviation
    assert sparks(10.0, 10.0, 14.2).caution.facts["why"] == "strokes-alike"  # 11.6 nearer

    assert sparks(10.0, 3.0).first == 3
    assert sparks(10.0, 9.5).caution.facts == {"why": "strokes-alike", "cylinder": 1, "companion": 0, "ratio": 1.05}
    assert sparks(3.0, 10.0).first != 3  # the taller stroke's TDC lies 25 degrees on


@pytest.mark.parametrize("index", range(4))
@pytest.mark.parametrize(("strays", "turned"), [(2, 0), (3, 0), (4, 2)])
def test_a_few_stray_tall_pulses_on_the_other_stroke_do_not_outvote_single_sparks(
        index, strays, turned, estimate_of, when):
    """A quarter as many as the others are stray; more are a coil's second sparks, and the tall ones count."""
    estimate = estimate_of(FOUR, seconds=8.0)
    own, stray = events(estimate, FOUR, index, -7.5)[:12], events(estimate, FOUR, index, 352.5)[:strays]
    marks = angles_to(estimate, when, [*own, *stray], [10.0] * len(own) + [30.0] * strays)
    assert named(marks, "single-spark:1", FOUR, estimate).first == (index + turned) % 4


@pytest.mark.parametrize(("seen", "first"), [(2, None), (3, 1)])
def test_sparks_seen_on_one_stroke_only_name_it_once_they_are_three(seen, first, estimate_of, when):
    """The short ones may be below notice, but two tall ones could as well have lost theirs by chance."""
    estimate = estimate_of(FOUR, seconds=seen * 0.667 - 0.1)
    at = events(estimate, FOUR, 1, -7.5)
    assert len(at) == seen
    naming = named(marked(when(estimate, at)), "waste-spark:1", FOUR, estimate)
    assert naming.first == first
    if first is None:
        assert naming.caution.facts == {"why": "strokes-alike", "cylinder": 1, "companion": 4, "ratio": 1.0}


@pytest.mark.parametrize(("tall", "short", "first"), [
    ([10.0] * 6, [8.2] * 6, None),             # a fifth taller: nobody should tell them apart
    ([10.0] * 6, [7.7] * 6, 2),                # three tenths
    ([4.0, 10.0, 25.0], [3.0, 7.5, 19.0], None),  # a third taller, among sparks that differ six times as much
    ([9.8, 10.0, 10.2], [7.4, 7.5, 7.6], 2),
    ([8.8, 17.6, 35.2] * 2, [4.0, 8.0, 16.0] * 2, None),  # twice as tall, among sparks that differ twice to either side
    ([0.0, 0.0, 0.0], [0.0, 0.0, 0.0], None),
])
def test_the_taller_stroke_must_stand_out_from_the_scatter(tall, short, first, estimate_of, when):
    estimate = estimate_of(FOUR, seconds=len(tall) * 0.667)
    own = events(estimate, FOUR, 2, -7.5)[: len(tall)]
    other = events(estimate, FOUR, 2, 352.5)[: len(short)]
    naming = named(angles_to(estimate, when, [*own, *other], [*tall, *short]), "waste-spark:1", FOUR, estimate)
    assert naming.first == first
    turned = named(angles_to(estimate, when, [*own, *other], [*short, *tall]), "waste-spark:1", FOUR, estimate)
    assert turned.first == (None if first is None else 0)  # the other stroke is cylinder 4's, two places on


def test_a_plug_taken_out_chooses_among_the_placements_of_uneven_firing(estimate_of):
    """The dead one must stand where the pattern can have that cylinder, in an explanation that explains."""
    spec = SyncSpec("plug-out", 2)
    wrong = estimate_of(TWIN, relative=(2, 100))
    right = estimate_of(TWIN, relative=(100, 2), placed=0.2)
    assert name_by_plug_out(spec, TWIN, [right]).first == 0
    assert name_by_plug_out(spec, TWIN, [wrong]).first is None
    naming = name_by_plug_out(spec, TWIN, [wrong, right])
    assert (naming.chosen, naming.first) == (1, 0)
    found = naming.sync
    assert (found.kind, found.cylinder, found.events, found.confidence) == ("plug-out", 2, 1, 0.98)


def test_the_plug_of_the_only_cylinder(estimate_of):
    alone = Engine((1,))
    assert name_by_plug_out(SyncSpec("plug-out", 1), alone, [estimate_of(alone, relative=(3,))]).first == 0


@pytest.mark.parametrize(("height", "unit", "first"), [
    (1.4, "bar", 1), (1.6, "bar", None), (20.0, "psi", 1), (25.0, "psi", None), (140.0, "kPa", 1), (0.1, "V", None)])
def test_what_counts_as_no_pressure(height, unit, first, estimate_of):
    estimate = estimate_of(FOUR, relative=(100, 97, 2, 99))
    marks = marked([1.3, 2.0, 2.6, 3.4], np.full(4, height), unit=unit)
    assert name_by_marks(marks, SyncSpec("pressure", 3), FOUR, [estimate]).first == first


def test_a_pressure_channel_without_any_peak_marks_the_dead_cylinder_if_there_is_one(estimate_of):
    spec, nothing = SyncSpec("pressure", 3), marked([], unit="bar")
    assert name_by_marks(nothing, spec, FOUR, [estimate_of(FOUR, relative=(100, 97, 2, 99))]).first == 1
    naming = name_by_marks(nothing, spec, FOUR, [estimate_of(FOUR)])
    assert naming.first is None
    assert naming.caution.facts == {"why": "too-few-marks", "marks": 0, "needed": 2}
    dead = estimate_of(FOUR, relative=(100, 97, 2, 99))
    assert name_by_marks(nothing, SyncSpec("cam", 3), FOUR, [dead]).first is None


@pytest.mark.parametrize("index", range(4))
def test_a_pressure_sensor_in_the_leaking_cylinder_names_it_though_its_peak_comes_early(index, estimate_of, when):
    """At a fifth of the others' pressure the peak of a leaking cylinder comes some 17 degrees before TDC."""
    relative = np.full(4, 100.0)
    relative[index] = 20.0
    estimate = estimate_of(FOUR, relative=relative)
    for lead in (5.0, 17.0, 22.0, 30.0):
        marks = marked(when(estimate, events(estimate, FOUR, index, -lead)), unit="bar")
        naming = name_by_marks(marks, SyncSpec("pressure", 3), FOUR, [estimate])
        assert naming.first == (index - 1) % 4
        assert naming.sync.confidence > 0.95


@pytest.mark.parametrize(("early", "first"), [(22.0, 1), (55.0, 1), (80.0, None)])
def test_a_tight_cylinder_s_early_pressure_is_its_own_while_no_other_can_be_meant(early, first, estimate_of, when):
    """It has no reason to be so early, but the estimated angle may be off by as much, and the next TDC is 180 off."""
    estimate = estimate_of(FOUR)
    marks = marked(when(estimate, events(estimate, FOUR, 2, -early)), unit="bar")
    naming = name_by_marks(marks, SyncSpec("pressure", 3), FOUR, [estimate])
    assert naming.first == first
    assert first is not None or naming.caution.facts["why"] == "marks-between"
