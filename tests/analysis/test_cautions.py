"""What to mind beside a verdict: each caution with a case that gives it, and one just short of it that does not."""

from __future__ import annotations

import pytest

from crankfold.analysis import Engine
from crankfold.analysis.answer import cranking_cautions, slow, trace_cautions
from crankfold.analysis.answer.notice_codes import CAUTIONS
from crankfold.analysis.signal import Span

FOUR, TWO = Engine((1, 3, 4, 2)), Engine((1, 2))


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
