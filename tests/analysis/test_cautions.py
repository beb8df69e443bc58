"""What to mind beside a verdict: each caution with a case that gives it, and one just short of it that does not."""

from __future__ import annotations

import pytest

from crankfold.analysis import Engine, Thresholds
from crankfold.analysis.answer import cranking_cautions, second_opinion, slow, tall_hump, trace_cautions
from crankfold.analysis.answer.notice_codes import CAUTIONS
from crankfold.analysis.signal import Span

FOUR, TWO = Engine((1, 3, 4, 2)), Engine((1, 2))
PAIRS = Engine((1, 6, 5, 4, 3, 2), (90, 150))
TWELVE = Engine((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9))


def facts(notices):
    for notice in notices:
        assert set(notice.facts) <= set(CAUTIONS[notice.code])
    return {notice.code: notice.facts for notice in notices}


def test_an_ordinary_capture_has_none(trace_of, estimate_of):
    assert trace_cautions(trace_of()) == []
    assert cranking_cautions(trace_of(), FOUR, estimate_of(FOUR)) == []


@pytest.mark.parametrize(("mean", "doubtful"), [(38.0, True), (42.0, False), (1480.0, False), (1520.0, True)])
def test_a_mean_no_starter_draws_makes_the_scale_doubtful(mean, doubtful, trace_of):
    """Below 40 A, or above 1500 A."""
    found = facts(trace_cautions(trace_of(mean=mean, swing=10.0)))
    assert list(found) == ["scale-doubtful"] * doubtful
    if doubtful:
        assert found["scale-doubtful"]["mean_a"] == pytest.approx(mean, rel=0.01)


def test_without_amperes_their_size_says_nothing(trace_of):
    assert facts(trace_cautions(trace_of(mean=5.0, swing=1.0, unit="V"))) == {"no-scale": {"unit": "V"}}


def test_a_battery_s_voltage_has_neither_amperes_nor_a_direction(trace_of):
    """It falls while cranking, and nobody put it on the wrong way round."""
    assert facts(trace_cautions(trace_of(unit="V", polarity=-1), battery_voltage=True)) == {"battery-voltage": {}}
    assert facts(trace_cautions(trace_of(polarity=-1))) == {"polarity-reversed": {}}


@pytest.mark.parametrize(("changes", "wanted"), [
    ({"others": (Span(7.0, 8.0), Span(9.0, 9.5))}, {"more-cranks": {"count": 2, "longest_s": pytest.approx(4.56)}}),
    ({"noise": float("nan")}, {"no-quiet": {}}),
    ({"has_onset": False}, {"starts-cranking": {}}),
    ({"clipped_inrush": True, "inrush": 512.0}, {"inrush-clipped": {"inrush": 512.0, "unit": "A"}}),
    ({"clipped_humps": 0.08}, {"some-clipped": {"flat_percent": pytest.approx(8.0)}}),
    ({"clipped_humps": 0.06}, {}),
    ({"bridged": (Span(2.0, 2.003), Span(3.0, 3.001))},
     {"bridged": {"count": 2, "longest_ms": pytest.approx(3.0), "total_ms": pytest.approx(4.0)}}),
    ({"cut_by_gap": True, "steady_to_s": 3.5}, {"cut-by-gap": {"length_s": pytest.approx(2.5)}}),
    ({"cut_by_gap": True, "steady_to_s": 99.0}, {"cut-by-gap": {"length_s": pytest.approx(4.06)}}),
])
def test_what_the_recording_itself_has(changes, wanted, trace_of):
    assert facts(trace_cautions(trace_of(**changes))) == wanted


def test_a_decompressor_that_shut(trace_of):
    assert facts(trace_cautions(trace_of(), shut_s=2.25)) == {"decompressor": {"shut_s": 2.25}}


@pytest.mark.parametrize(("drift", "weak"), [(-12.5, True), (-11.5, False), (12.5, False)])
def test_a_battery_that_sags_within_one_crank(drift, weak, trace_of, estimate_of):
    found = facts(cranking_cautions(trace_of(), FOUR, estimate_of(FOUR, details={"drift_percent": drift})))
    assert found == ({"weak-battery": {"sag_percent": -drift}} if weak else {})


@pytest.mark.parametrize(("rpm", "caution"), [(0.0, False), (40.0, True), (109.0, True), (111.0, False)])
def test_slow_cranking(rpm, caution):
    assert facts(slow(rpm)) == ({"slow-cranking": {"rpm": rpm}} if caution else {})


@pytest.mark.parametrize(("rpm", "swing", "caution"), [
    (310.0, 12.0, True), (310.0, 20.0, False), (290.0, 12.0, False)])
def test_fast_and_smooth_is_how_an_engine_without_compression_turns(rpm, swing, caution, trace_of, estimate_of):
    """A sine of 12 A either way on 150 A has a ripple of 16 %, one of 20 A one of 26 % (5th to 95th percentile)."""
    found = facts(cranking_cautions(trace_of(swing=swing), FOUR, estimate_of(FOUR, rpm=rpm)))
    assert list(found) == ["fast-smooth"] * caution
    if caution:
        assert found["fast-smooth"]["ripple_percent"] == pytest.approx(15.8, abs=0.3)


@pytest.mark.parametrize(("seconds", "few"), [(1.9, True), (2.1, False)])
def test_few_cycles_unless_the_engine_caught(seconds, few, trace_of, estimate_of):
    """Three cycles at 180 turns a minute take two seconds."""
    estimate = estimate_of(FOUR, seconds=seconds)
    assert list(facts(cranking_cautions(trace_of(), FOUR, estimate))) == ["few-cycles"] * few
    caught = facts(cranking_cautions(trace_of(fired_at_s=3.2), FOUR, estimate))
    assert caught == {"engine-caught": {"fired_at_s": pytest.approx(2.7), "cycles": estimate.cycles}}


def test_two_cylinders_are_always_minded(trace_of, estimate_of):
    assert list(facts(cranking_cautions(trace_of(), TWO, estimate_of(TWO)))) == ["two-cylinders"]


@pytest.mark.parametrize(("relative", "heights", "position", "height"), [
    ((100, 99, 70, 98), (99, 100, 91, 98), 3, 91.9),   # low, and as tall as the others: 91 of their median 99
    ((100, 99, 70, 98), (99, 100, 88, 98), None, None),
    ((100, 99, 76, 98), (99, 100, 43, 98), 3, 43.7),   # good, and half as tall: 43 of 98.5
    ((100, 99, 76, 98), (99, 100, 46, 98), None, None),
    ((100, 60, 76, 98), (100, 95, 20, 100), 3, 20.0),  # the one that contradicts most
    ((10, 12, 11, 9), (100, 95, 90, 98), 1, 100.0),    # nothing good to measure against: against the tallest
    ((100, 12, 11, 9), (3, 95, 90, 100), 1, 3.0),      # the only good one has no hump: against the tallest
    ((100, 20), (20, 100), None, None),                # heights of two say too little
    ((100, 99, 70, 98), (0, 0, 0, 0), None, None),
    ((100, 99, 70, 98), (99, float("nan"), 95, 98), None, None),
])
def test_plain_heights_as_a_second_opinion(relative, heights, position, height, estimate_of):
    engine = TWO if len(relative) == 2 else FOUR
    notice = second_opinion(estimate_of(engine, relative=relative, heights=heights), Thresholds())
    if position is None:
        assert notice is None
        return
    assert facts([notice]) == {"second-opinion": {
        "position": position, "relative_percent": relative[position - 1],
        "height_percent": pytest.approx(height, abs=0.1)}}


@pytest.mark.parametrize(("engine", "heights", "position", "percent"), [
    (FOUR, (100, 79, 80, 81), 1, 125.0), (FOUR, (86, 85, 84, 100), 4, 100 / 0.85), (FOUR, (88, 87, 88, 100), None, 0),
    (FOUR, (79, 92, 130, 80), None, 0),    # the others differ too much to say what is usual
    (FOUR, (79, 90, 130, 80), 3, 162.5),   # 130 over 80, the middle one of the others
    (FOUR, (0, 80, 130, 80), None, 0), (FOUR, (80, float("nan"), 130, 80), None, 0),
    (PAIRS, (60, 70, 61, 90, 60, 72), 4, 100 * 90 / 71), (PAIRS, (60, 70, 61, 71, 80, 72), 5, 100 * 80 / 60.5),
    (TWELVE, (80, 102) * 5 + (80, 130), 12, 100 * 130 / 80), (TWELVE, (80, 106) * 5 + (80, 130), None, 0),
    (Engine((1, 2, 3)), (100, 60, 61), 1, 100 / 0.605), (TWO, (100, 60), None, 0),
])
def test_one_hump_that_stands_above_its_like(engine, heights, position, percent, estimate_of):
    """Its like has the same intervals around it; twelve humps run together and may differ more."""
    notice = tall_hump(estimate_of(engine, heights=heights), engine, Thresholds())
    if position is None:
        assert notice is None
        return
    assert facts([notice]) == {"too-much-hump": {"position": position, "percent_of_others": pytest.approx(percent)}}


@pytest.mark.parametrize(("weakest", "minded"), [(84.0, False), (86.0, True)])
def test_a_tall_hump_is_only_minded_where_no_weak_cylinder_makes_it_tall(weakest, minded, estimate_of):
    estimate = estimate_of(FOUR, relative=(100, 99, 98, weakest), heights=(80, 81, 130, 79))
    assert (tall_hump(estimate, FOUR, Thresholds()) is not None) is minded
