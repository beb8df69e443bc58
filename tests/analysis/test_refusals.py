"""Each reason for no verdict: a case that gives it, and one just short of it that does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine
from crankfold.analysis.answer.notice_codes import REASONS
from crankfold.analysis.criticism import after_estimate, before_estimate, no_cranking, once, one_cylinder
from crankfold.analysis.posterior import Rival
from crankfold.analysis.signal import Span

FOUR = Engine((1, 3, 4, 2))
TWELVE = Engine((1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9))


def codes(reasons):
    for reason in reasons:
        assert set(reason.facts) <= set(REASONS[reason.code])
    return [r.code for r in reasons]


def test_an_ordinary_cranking_gives_no_reason(trace_of, estimate_of):
    assert before_estimate(trace_of(), FOUR) == ()
    assert after_estimate(trace_of(), FOUR, estimate_of(FOUR)) == ()


@pytest.mark.parametrize(("share", "found"), [(0.151, ["clipped"]), (0.149, [])])
def test_clipped(share, found, trace_of):
    assert codes(before_estimate(trace_of(clipped_humps=share), FOUR)) == found


def test_a_clipped_inrush_alone_is_no_reason(trace_of):
    assert before_estimate(trace_of(clipped_inrush=True), FOUR) == ()


@pytest.mark.parametrize(("cylinders", "rate_hz", "found"), [
    (FOUR, 79.0, ["rate-too-low"]), (FOUR, 81.0, []), (TWELVE, 239.0, ["rate-too-low"]), (TWELVE, 241.0, []),
])
def test_rate_too_low(cylinders, rate_hz, found, trace_of):
    """Twelve samples a hump: a four at 200 rpm has 6.67 humps a second, a twelve 20 (by hand)."""
    assert codes(before_estimate(trace_of(source_rate_hz=rate_hz), cylinders)) == found


@pytest.mark.parametrize(("rpm", "found"), [(260.0, ["rate-too-low"]), (240.0, [])])
def test_rate_too_low_for_the_speed_that_was_found(rpm, found, trace_of, estimate_of):
    trace = trace_of(source_rate_hz=100.0)
    assert codes(after_estimate(trace, FOUR, estimate_of(FOUR, rpm=rpm))) == found


@pytest.mark.parametrize(("seconds", "found"), [(1.32, ["too-short"]), (1.35, [])])
def test_too_short(seconds, found, trace_of, estimate_of):
    """Two cycles of 720 degrees at 180 rpm last 1.333 s (by hand)."""
    assert codes(after_estimate(trace_of(), FOUR, estimate_of(FOUR, seconds=seconds))) == found


@pytest.mark.parametrize(("seconds", "found"), [(0.55, ["too-short"]), (0.65, [])])
def test_too_short_at_any_speed(seconds, found, trace_of):
    """Two cycles at 400 rpm, the fastest cranking, last 0.6 s (by hand)."""
    assert codes(before_estimate(trace_of(seconds=seconds), FOUR)) == found


@pytest.mark.parametrize(("seconds", "found"), [(1.98, ["engine-fired"]), (2.02, [])])
def test_engine_fired_needs_three_whole_cycles_before_it(seconds, found, trace_of, estimate_of):
    """Three cycles at 180 rpm last 2.0 s (by hand)."""
    trace = trace_of(fired_at_s=3.2)
    assert codes(after_estimate(trace, FOUR, estimate_of(FOUR, seconds=seconds))) == found


@pytest.mark.parametrize(("right", "found"), [(0.49, ["not-explained"]), (0.51, [])])
def test_not_explained(right, found, trace_of, estimate_of):
    assert codes(after_estimate(trace_of(), FOUR, estimate_of(FOUR, right=right))) == found


@pytest.mark.parametrize(("share", "found"), [(0.06, ["clipped", "not-explained"]), (0.04, ["not-explained"])])
def test_where_nothing_fits_some_clipping_is_to_blame(share, found, trace_of, estimate_of):
    trace = trace_of(clipped_humps=share)
    assert codes(after_estimate(trace, FOUR, estimate_of(FOUR, right=0.2))) == found


def test_nothing_that_repeats_is_not_explained(trace_of):
    reasons = after_estimate(trace_of(), FOUR, None)
    assert codes(reasons) == ["not-explained"]
    assert reasons[0].facts["why"] == "nothing-repeats"


@pytest.mark.parametrize(("seconds", "found"), [(0.85, ["gap"]), (0.95, [])])
def test_gap(seconds, found, trace_of):
    """Three quarters of two cycles at 200 rpm are 0.9 s (by hand): less than that was left whole."""
    assert codes(before_estimate(trace_of(seconds=seconds, cut_by_gap=True), FOUR)) == found


def test_a_gap_that_leaves_too_few_cycles_is_the_reason(trace_of, estimate_of):
    trace = trace_of(cut_by_gap=True)
    assert codes(after_estimate(trace, FOUR, estimate_of(FOUR, seconds=1.2))) == ["gap"]
    assert codes(after_estimate(trace, FOUR, estimate_of(FOUR, seconds=1.4))) == []


@pytest.mark.parametrize(("swing", "found"), [(4.0, ["no-humps"]), (6.0, [])])
def test_no_humps(swing, found, trace_of):
    """Fast and smooth: 6 % of 150 A from trough to crest, a swing of 4.6 A by its percentiles."""
    assert codes(before_estimate(trace_of(swing=swing, hump_hz=12.0), FOUR)) == found


@pytest.mark.parametrize(("mean", "inrush", "found"), [
    (20.0, 140.0, "no-cranking"), (80.0, 130.0, "no-cranking"), (80.0, 500.0, "no-humps"),
])
def test_lamps_and_glow_plugs_are_no_cranking_but_a_starter_without_compression_is(mean, inrush, found, trace_of):
    assert codes(before_estimate(trace_of(mean=mean, swing=0.5, inrush=inrush), FOUR))[0] == found


@pytest.mark.parametrize(("below", "found"), [(40.0, ["ac-probe"]), (0.0, [])])
def test_a_probe_that_cannot_hold_a_steady_current(below, found, trace_of):
    """Its reading sinks through zero; a starter's current, however far it falls, does not."""
    trace = trace_of()
    sunk = trace.current - below - 110.0 * (trace.time_s > 3.0)
    trace = replace(trace, current=sunk if below else trace.current, smooth=sunk if below else trace.smooth, ac_sag=0.3)
    assert codes(before_estimate(trace, FOUR)) == found


def test_one_cylinder(estimate_of):
    reason = one_cylinder(estimate_of(Engine((1,))))
    assert codes([reason]) == ["one-cylinder"]
    assert reason.facts["rpm"] == pytest.approx(180.0)


@pytest.mark.parametrize(("two_of_six", "right", "found"), [
    (2.0, 0.99, []), (2.0, 0.1, ["hump-count", "not-explained"]), (98.0, 0.99, []), (98.0, 0.1, ["not-explained"]),
])
def test_a_card_of_another_engine(two_of_six, right, found, trace_of, estimate_of):
    """Six humps a cycle, two low or not, with a four's card; an even six and an even four look the same."""
    trace = trace_of(seconds=6.0, hump_hz=9.0)
    since = trace.time_s - 0.5
    slot = np.floor(since * 9.0 + 0.5).astype(int) % 6
    height = np.where(slot < 2, two_of_six, 98.0) / 98.0
    current = np.where(trace.current != 0, 100.0 + 60.0 * height * np.cos(2 * np.pi * 9.0 * since), 0.0)
    trace = replace(trace, current=current, smooth=current)
    reasons = after_estimate(trace, FOUR, estimate_of(FOUR, rpm=270.0, right=right))
    assert codes(reasons) == found
    if "hump-count" in found:
        assert reasons[0].facts["humps"] == 6
        assert reasons[0].facts["cylinders"] == 4
        assert reasons[0].facts["rpm"] == pytest.approx(180.0, rel=0.02)
        six = Engine((1, 5, 3, 6, 2, 4))
        assert after_estimate(trace, six, estimate_of(six)) == ()


@pytest.mark.parametrize("cylinders", [3, 6, 12])
def test_exactly_enough_samples_are_enough(cylinders, trace_of):
    """Twelve a hump at 200 rpm: twenty a second and cylinder."""
    engine = Engine(tuple(range(1, cylinders + 1)))
    rate_hz = 20.0 * cylinders
    assert "rate-too-low" not in codes(before_estimate(trace_of(source_rate_hz=rate_hz), engine))
    reasons = before_estimate(trace_of(source_rate_hz=rate_hz - 0.1), engine)
    assert reasons[0].facts["needed_hz"] == rate_hz


def test_the_deciding_reason_comes_first(trace_of, estimate_of):
    trace = trace_of(fired_at_s=2.0)
    reasons = after_estimate(trace, FOUR, estimate_of(FOUR, seconds=1.0, right=0.2))
    assert codes(reasons) == ["engine-fired", "not-explained"]


# --- the numbers beside the reasons, worked out by hand

def facts(reasons, code):
    (found,) = [r for r in reasons if r.code == code]
    assert set(found.facts) <= set(REASONS[code])
    return dict(found.facts)


def test_what_is_said_of_a_rate_too_low(trace_of, estimate_of):
    """Twelve samples for each of four humps in 0.6 s; at 240 rpm in 0.5 s."""
    assert facts(before_estimate(trace_of(source_rate_hz=70.0), FOUR), "rate-too-low") == {
        "sample_rate_hz": 70.0, "needed_hz": 80}
    for twin, needed_hz in ((Engine((1, 2)), 40), (Engine((1, 2), strokes=2), 80)):
        assert facts(before_estimate(trace_of(source_rate_hz=30.0), twin), "rate-too-low")["needed_hz"] == needed_hz
    after = after_estimate(trace_of(source_rate_hz=95.0), FOUR, estimate_of(FOUR, rpm=240.0))
    assert facts(after, "rate-too-low") == {"sample_rate_hz": 95.0, "needed_hz": 96}


def test_what_is_said_of_clipping(trace_of):
    assert facts(before_estimate(trace_of(clipped_humps=0.2), FOUR), "clipped") == {
        "flat_percent": pytest.approx(20.0), "limit_percent": pytest.approx(15.0)}


def test_what_is_said_of_too_short_a_cranking(trace_of, estimate_of):
    """Before the fit cycles of 0.6 s are taken, 200 rpm; after it, those that were counted."""
    assert facts(before_estimate(trace_of(seconds=0.48), FOUR), "too-short") == {
        "cycles": pytest.approx(0.8, abs=0.01), "needed_cycles": 2.0, "length_s": pytest.approx(0.48, abs=0.001)}
    short = estimate_of(FOUR, seconds=1.2)
    assert facts(after_estimate(trace_of(seconds=1.2), FOUR, short), "too-short") == {
        "cycles": pytest.approx(1.8), "needed_cycles": 2.0, "length_s": pytest.approx(1.2, abs=0.001)}


def test_what_is_said_of_an_engine_that_fired(trace_of, estimate_of):
    found = after_estimate(trace_of(fired_at_s=2.1), FOUR, estimate_of(FOUR, seconds=1.4))
    assert facts(found, "engine-fired") == {
        "cycles": pytest.approx(2.1), "needed_cycles": 3.0, "fired_at_s": pytest.approx(1.6)}


def test_what_is_said_of_a_gap(trace_of, estimate_of):
    """Two cycles at 200 rpm are 1.2 s; at the speed that was found, twice the whole stretch over its cycles."""
    trace = trace_of(seconds=0.8, cut_by_gap=True)
    assert facts(before_estimate(trace, FOUR), "gap") == {
        "longest_s": pytest.approx(0.8, abs=0.001), "needed_s": pytest.approx(1.2)}
    trace = trace_of(seconds=1.2, cut_by_gap=True)
    assert facts(after_estimate(trace, FOUR, estimate_of(FOUR, seconds=1.2)), "gap") == {
        "longest_s": pytest.approx(1.2, abs=0.001), "needed_s": pytest.approx(2 * 1.2 / 1.8, abs=0.001)}


def test_what_is_said_where_there_are_no_humps(trace_of):
    found = facts(before_estimate(trace_of(swing=1.0, hump_hz=12.0, inrush=500.0), FOUR), "no-humps")
    assert found["unit"] == "A"
    assert found["mean"] == pytest.approx(150.0, rel=0.01)
    assert found["ripple_percent"] == pytest.approx(1.3, abs=0.1)


def test_what_is_said_of_a_single_cylinder_and_of_no_cranking(estimate_of):
    assert one_cylinder(None).facts == {}
    assert one_cylinder(estimate_of(Engine((1,)), seconds=2.0)).facts == {
        "cycles": pytest.approx(3.0), "rpm": pytest.approx(180.0)}
    nothing = no_cranking({"peak": 3.0, "noise": 1.0, "longest_s": 0.1}, "V")
    assert (nothing.code, nothing.facts) == ("no-cranking", {"peak": 3.0, "noise": 1.0, "longest_s": 0.1, "unit": "V"})


def test_a_battery_s_voltage_needs_its_rest_and_is_no_ac_probe(trace_of):
    trace = trace_of(noise=float("nan"), ac_sag=0.2, unit="V")
    assert codes(before_estimate(trace, FOUR, battery_voltage=True)) == ["not-explained"]
    assert before_estimate(trace, FOUR, battery_voltage=True)[0].facts["why"] == "no-rest"
    assert before_estimate(trace_of(noise=float("nan")), FOUR) == ()
    assert before_estimate(trace_of(unit="V"), FOUR, battery_voltage=True) == ()


@pytest.mark.parametrize(("start_s", "found"), [(0.0, ["not-explained"]), (0.04, ["not-explained"]), (0.06, [])])
def test_a_battery_s_rest_is_before_the_crank(start_s, found, trace_of):
    trace = trace_of(unit="V")
    trace = replace(trace, others=(Span(start_s, start_s + 0.01),))
    assert codes(before_estimate(trace, FOUR, battery_voltage=True)) == found
    assert before_estimate(trace, FOUR) == ()


@pytest.mark.parametrize(("zero", "polarity", "unit", "found"), [
    (12.5, -1, "V", ["not-explained"]), (5.6, -1, "V", ["not-explained"]),
    (5.4, -1, "V", []),   # a clamp the wrong way round, at the top of a 5 V supply
    (12.5, 1, "V", []),   # it rises
    (12.5, -1, "A", []),  # a clamp's zero in amperes may be anywhere
])
def test_a_voltage_that_rests_and_falls_as_a_battery_s_is_not_taken_for_a_probe_s(zero, polarity, unit, found,
                                                                                  trace_of):
    trace = trace_of(zero=zero, polarity=polarity, unit=unit)
    assert codes(before_estimate(trace, FOUR)) == found
    assert before_estimate(trace, FOUR, battery_voltage=True) == ()


@pytest.mark.parametrize(("mean", "swing", "inrush", "unit", "found"), [
    (29.0, 3.0, 500.0, "A", True),     # a lamp: under 30 A and hardly any ripple
    (31.0, 3.0, 500.0, "A", False),
    (29.0, 3.63, 500.0, "A", True),    # a ripple just under 25 %, or just over it
    (29.0, 3.72, 500.0, "A", False),
    (29.0, 3.0, 500.0, "V", False),    # nobody knows how many amperes that is
    (110.0, 2.0, 210.0, "A", True),    # glow plugs: dull, without an in-rush of twice the mean
    (110.0, 2.0, 230.0, "A", False),
    (110.0, 5.0, 210.0, "A", False),   # a ripple over 6 %
    (119.5, 2.0, 210.0, "A", True),
    (120.5, 2.0, 210.0, "A", False),   # a starter that is held draws as much
    (130.0, 2.0, 210.0, "V", True),
])
def test_what_other_loads_look_like(mean, swing, inrush, unit, found, trace_of):
    trace = trace_of(mean=mean, swing=swing, inrush=inrush, hump_hz=12.0, unit=unit)
    assert ("no-cranking" in codes(before_estimate(trace, FOUR))) is found
    assert "no-cranking" not in codes(before_estimate(replace(trace, fired_at_s=3.0), FOUR))


@pytest.mark.parametrize(("sag", "sunk", "found"), [(0.34, 20.0, True), (0.36, 20.0, False), (0.34, 5.0, False)])
def test_what_sinks_below_zero_by_a_tenth_of_its_range_is_no_direct_current(sag, sunk, found, trace_of):
    """Late in the cranking it swings by 120 A; a tenth of that is 12 A. Without its quiet nothing else tells."""
    trace = trace_of(ac_sag=sag)
    late = trace.time_s > 1.0
    current = (trace.current - np.where(trace.time_s > 2.0, 90.0 + sunk, 0.0))[late]
    trace = replace(trace, time_s=trace.time_s[late], current=current, smooth=current)
    assert ("ac-probe" in codes(before_estimate(trace, FOUR))) is found


def test_each_reason_is_given_once(trace_of):
    first, again = no_cranking({}, "A"), no_cranking({"peak": 1.0}, "A")
    assert once([None, first, again, None]) == (first,)


# --- what there is in place of a cranking, and of compression

@pytest.mark.parametrize(("seen", "unit", "why"), [
    ({"peak": 30.0, "longest_s": 1.5, "load_mean": 25.0, "load_peak": 28.0}, "A", "small-load"),
    ({"peak": 125.0, "longest_s": 1.5, "load_mean": 85.0, "load_peak": 120.0}, "A", "steady-load"),
    ({"peak": 20.0, "longest_s": 0.0, "hum": 18.0, "hum_hz": 50.0}, "A", "hum"),
    ({"peak": 20.0, "longest_s": 0.0, "hum": 2.0, "hum_hz": 50.0}, "A", None),
    ({"peak": 125.0, "longest_s": 0.3, "load_mean": 85.0, "load_peak": 120.0}, "A", None),
    ({"peak": 10.0, "longest_s": 1.5, "load_mean": 6.0, "load_peak": 8.0}, "A", None),
    ({"peak": 0.1, "longest_s": 1.5, "load_mean": 0.05, "load_peak": 0.06}, "V", None),  # nobody knows what that is
])
def test_what_there_is_in_place_of_a_cranking(seen, unit, why):
    found = no_cranking({"noise": 1.0, **seen}, unit)
    assert found.facts.get("why") == why
    assert set(found.facts) <= set(REASONS["no-cranking"])


@pytest.mark.parametrize(("mean", "swing", "inrush", "found"), [
    (80.0, 7.0, 700.0, ["no-humps"]),   # turns as good as nothing, and smoothly
    (80.0, 20.0, 700.0, []),            # humps worth a look
    (180.0, 7.0, 700.0, []),            # work, if smooth: many cylinders, a heavy starter
    (80.0, 7.0, 320.0, []),
])
def test_a_starter_that_turns_next_to_nothing_turns_no_compression(mean, swing, inrush, found, trace_of):
    assert codes(before_estimate(trace_of(mean=mean, swing=swing, inrush=inrush), FOUR)) == found


@pytest.mark.parametrize(("fires", "found"), [(0.61, ["engine-fired"]), (0.59, [])])
def test_something_that_burns(fires, found, trace_of, estimate_of):
    reasons = after_estimate(trace_of(), FOUR, estimate_of(FOUR, fires=fires))
    assert codes(reasons) == found
    if found:
        assert reasons[0].facts["why"] == "burns"
        assert reasons[0].facts["chance_percent"] == pytest.approx(61.0)


@pytest.mark.parametrize(("compresses", "swing", "found"), [
    (0.09, 60.0, ["no-humps"]), (0.11, 60.0, []), (0.89, 15.0, ["no-humps"]), (0.91, 15.0, []), (0.5, 30.0, [])])
def test_nothing_that_compresses(compresses, swing, found, trace_of, estimate_of):
    """A sine of 15 A either way on 150 A has a ripple of 20 %, one of 30 A one of 40 %: shallow humps must be surer."""
    assert codes(after_estimate(trace_of(swing=swing), FOUR, estimate_of(FOUR, compresses=compresses))) == found


def test_a_starter_that_labours_turns_an_engine_that_compresses(trace_of, estimate_of):
    """Shallow humps at more than half of the in-rush: a weak battery and thick oil, not a broken timing drive."""
    trace, doubtful = trace_of(swing=15.0), estimate_of(FOUR, compresses=0.5)
    mean = float(np.nanmean(trace.current[trace.steady]))
    for share, found in ((0.55, ["no-humps"]), (0.65, [])):
        assert codes(after_estimate(replace(trace, inrush=mean / share), FOUR, doubtful)) == found


def test_two_cycle_rates_that_are_both_likely_are_said(trace_of, estimate_of):
    rivals = (Rival(126.0, 0.45, 97.0), Rival(252.0, 0.40, 2.0))
    (reason,) = after_estimate(trace_of(), FOUR, estimate_of(FOUR, rpm=126.0, right=0.45, rivals=rivals))
    assert (reason.code, reason.facts["why"]) == ("not-explained", "two-rates")
    assert (reason.facts["rpm"], reason.facts["other_rpm"]) == (126.0, 252.0)
    assert reason.facts["chance_percent"] + reason.facts["other_chance_percent"] == pytest.approx(85.0)
