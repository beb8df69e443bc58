"""From a capture to a result, on crankings of the virtual engine."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Capture, Engine, Gauge, InputError, SyncSpec, Thresholds, analyse, compare
from crankfold.analysis.answer.notice_codes import CAUTIONS, NOTES, PATTERNS, REASONS
from crankfold.analysis.pipeline import turned

FOUR = Engine((1, 3, 4, 2))


def sound(result):
    """The result, after looking for what must never be in one."""
    assert (result.verdict == "none") == bool(result.reasons)
    assert (result.verdict == "none") == (not result.cylinders)
    for c in result.cylinders:
        assert math.isfinite(c.relative_percent)
        assert 0 <= c.interval_percent[0] <= c.interval_percent[1] < math.inf
    for table, notices in ((REASONS, result.reasons), (CAUTIONS, result.cautions), (NOTES, result.notes),
                           (PATTERNS, (result.pattern,) if result.pattern else ())):
        for notice in notices:
            assert set(notice.facts) <= set(table[notice.code])
    return result


def codes(notices):
    return [n.code for n in notices]


def test_an_even_engine_looks_even_and_stays_unnamed(cranking_of):
    capture, truth = cranking_of()
    result = sound(analyse(capture, FOUR))
    assert result.verdict == "even"
    assert [c.cylinder for c in result.cylinders] == [None] * 4
    assert result.low == ()
    assert result.low_positions == ()
    assert result.sync is None
    assert result.pattern is None
    assert result.cranking.rpm == pytest.approx(truth.rpm, rel=0.02)
    assert result.cranking.onset_s == pytest.approx(truth.onset_s, abs=0.06)
    assert result.cranking.end_s == pytest.approx(truth.end_s, abs=0.1)
    assert result.health.stall_current_a > result.cranking.mean_a


@pytest.mark.parametrize(("kind", "cylinder"), [("waste-spark", 1), ("single-spark", 4)])
def test_a_dead_cylinder_is_named(kind, cylinder, cranking_of):
    capture, truth = cranking_of(dead=3, leak_mm2=400.0, lead=kind, cylinder=cylinder)
    result = sound(analyse(capture, FOUR, sync=SyncSpec(kind, cylinder)))
    assert result.verdict == "uneven"
    assert result.low == (3,)
    assert result.low_positions == (2,)
    assert [c.cylinder for c in result.cylinders] == [1, 3, 4, 2]
    assert result.pattern.code == "one-dead"
    assert result.sync.cylinder == cylinder
    assert result.sync.confidence > 0.95
    errors = np.array([c.relative_percent for c in result.cylinders]) - truth.relative_percent
    assert np.abs(errors).max() < 10.0


def test_the_estimate_kept_is_turned_to_the_firing_order(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    result = analyse(capture, FOUR, sync=SyncSpec("waste-spark", 1))
    assert int(np.argmin(result.estimate.relative_percent)) == 1
    assert int(np.argmin(result.estimate.heights_percent)) == 1


def test_turning_moves_values_and_angle_together(estimate_of):
    estimate = estimate_of(FOUR, relative=(10, 20, 30, 40))
    out = turned(estimate, 3, FOUR)
    assert out.relative_percent.tolist() == [40, 10, 20, 30]
    assert (out.chances == np.roll(estimate.chances, 1, axis=0)).all()
    assert np.allclose(out.angle_deg, estimate.angle_deg - 540.0)
    assert turned(estimate, 0, FOUR) is estimate


def test_raw_numbers_without_a_scale_give_the_same_verdict_without_amperes(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    volts = capture.rescaled("current", 0.010, "V")
    with_scale, without = (sound(analyse(c, FOUR)) for c in (capture, volts))
    assert without.verdict == with_scale.verdict
    assert without.cranking.mean_a is None
    assert without.cranking.inrush_a is None
    assert without.health.resistance_ohm is None
    assert "no-scale" in codes(without.cautions)
    for a, b in zip(with_scale.cylinders, without.cylinders, strict=True):
        assert a.relative_percent == pytest.approx(b.relative_percent, abs=0.5)


def test_upside_down_is_found_and_said(cranking_of):
    capture, _ = cranking_of()
    result = sound(analyse(capture.rescaled("current", -1.0, "A"), FOUR))
    assert result.verdict == "even"
    assert "polarity-reversed" in codes(result.cautions)


def test_a_sync_channel_that_says_nothing_is_a_caution_not_a_refusal(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    silent = replace(capture, samples=np.column_stack((capture.samples[:, 0], np.zeros(len(capture.samples)))))
    result = sound(analyse(silent, FOUR, sync=SyncSpec("waste-spark", 1)))
    assert result.verdict == "uneven"
    assert result.low == ()
    assert len(result.low_positions) == 1
    assert "sync-cannot-name" in codes(result.cautions)


def test_a_promised_channel_that_is_missing_is_said(cranking_of):
    capture, _ = cranking_of()
    result = sound(analyse(capture, FOUR, sync=SyncSpec("cam", 1, 40.0)))
    assert [n.facts["why"] for n in result.cautions if n.code == "sync-cannot-name"] == ["no-channel"]


def test_a_plug_taken_out_names_the_rest(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0)
    result = sound(analyse(capture, FOUR, sync=SyncSpec("plug-out", 3)))
    assert result.low == (3,)
    assert result.pattern is None  # it was taken out on purpose
    assert "plug-out-cylinder" in codes(result.cautions)


def test_a_gauge_reading_makes_bar_for_all(cranking_of):
    capture, truth = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    bar = float(truth.peak_gauge_bar[0])
    result = sound(analyse(capture, FOUR, sync=SyncSpec("waste-spark", 1), gauge=Gauge(1, bar)))
    assert codes(result.notes) == ["gauge-used"]
    for c, true in zip(result.cylinders, truth.peak_gauge_bar, strict=True):
        assert c.pressure_bar == pytest.approx(true, abs=1.2)
    unnamed = sound(analyse(capture, FOUR, gauge=Gauge(1, bar)))
    assert "gauge-not-used" in codes(unnamed.cautions)


def test_a_pressure_channel_names_and_anchors(cranking_of):
    capture, truth = cranking_of(lead="pressure", cylinder=4)
    result = sound(analyse(capture, FOUR, sync=SyncSpec("pressure", 4)))
    assert result.sync.cylinder == 4
    assert "channel-anchors" in codes(result.notes)
    at = next(c for c in result.cylinders if c.cylinder == 4)
    assert at.pressure_bar == pytest.approx(truth.peak_gauge_bar[2], rel=0.05)


def test_misfire_codes_are_set_against_the_finding(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    sync = SyncSpec("waste-spark", 1)
    assert "code-agrees" in codes(sound(analyse(capture, FOUR, sync=sync, misfire_codes=("P0303",))).notes)
    assert "code-contradicts" in codes(sound(analyse(capture, FOUR, sync=sync, misfire_codes=("P0302",))).cautions)
    assert "code-hint" in codes(sound(analyse(capture, FOUR, misfire_codes=("P0303",))).notes)


def test_before_and_after_a_repair(cranking_of):
    sync = SyncSpec("waste-spark", 1)
    before = analyse(cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")[0], FOUR, sync=sync)
    after = analyse(cranking_of(lead="waste-spark")[0], FOUR, sync=sync)
    changes = {d.cylinder: d.change for d in compare(before, after)}
    assert changes[3] == "better"


@pytest.mark.parametrize(("make", "code"), [
    (np.zeros_like, "no-cranking"),
    (lambda x: np.random.default_rng(1).normal(0, 1.0, len(x)), "no-cranking"),
    (lambda x: np.minimum(x, np.percentile(x, 60)), "clipped"),
])
def test_what_is_no_cranking_or_clipped_is_refused(make, code, cranking_of):
    capture, _ = cranking_of()
    current = make(capture.samples[:, 0])
    result = sound(analyse(Capture.from_arrays(current, rate_hz=capture.rate_hz), FOUR))
    assert result.reasons[0].code == code


@pytest.mark.parametrize(("seconds", "fitted"), [(0.5, False), (0.9, False), (1.6, True)])
def test_too_short_a_cranking_is_refused(seconds, fitted, cranking_of):
    capture, _ = cranking_of(seconds=seconds)
    result = sound(analyse(capture, FOUR))
    assert result.reasons[0].code == "too-short"
    assert (result.cranking.cycles > 0) is (result.cranking.rpm > 0) is fitted


def test_slow_cranking_is_worth_knowing_where_no_verdict_is_drawn(cranking_of):
    """The same capture as if recorded at a lower rate: the engine turns slower, and its battery may be to blame."""
    capture, _ = cranking_of(seconds=1.3)
    slow = sound(analyse(replace(capture, rate_hz=capture.rate_hz / 2.3), FOUR))
    assert slow.verdict == "none"
    (caution,) = [c for c in slow.cautions if c.code == "slow-cranking"]
    assert caution.facts["rpm"] == pytest.approx(slow.cranking.rpm)
    assert 0 < slow.cranking.rpm < 110.0


def test_swapped_columns_draw_no_verdict(cranking_of):
    capture, _ = cranking_of(lead="waste-spark")
    swapped = Capture.from_arrays(capture.samples[:, 1], rate_hz=capture.rate_hz, sync=capture.samples[:, 0])
    assert sound(analyse(swapped, FOUR, sync=SyncSpec("waste-spark", 1))).verdict == "none"


def test_one_cylinder_has_no_other_to_compare_with(cranking_of):
    capture, _ = cranking_of((1,))
    result = sound(analyse(capture, Engine((1,))))
    assert result.verdict == "none"
    assert result.reasons[-1].code == "one-cylinder"


def test_the_same_capture_gives_the_same_result(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    sync = SyncSpec("waste-spark", 1)
    assert analyse(capture, FOUR, sync=sync) == analyse(capture, FOUR, sync=sync)


def test_limits_are_the_users(cranking_of):
    capture, _ = cranking_of()
    strict = Thresholds(low_percent=99.9, watch_percent=100.0)
    assert sound(analyse(capture, FOUR, thresholds=strict)).verdict in ("limit", "uneven")


@pytest.mark.parametrize("given", [{"sync": SyncSpec("cam", 9, 0.0)}, {"gauge": Gauge(9, 12.0)},
                                   {"misfire_codes": ("P0309",)}])
def test_a_cylinder_the_engine_lacks_is_the_users_mistake(given, cranking_of):
    with pytest.raises(InputError, match="no cylinder 9"):
        analyse(cranking_of()[0], FOUR, **given)


def test_a_gauge_and_a_pressure_channel_that_disagree_are_minded(cranking_of):
    """The gauge's own three percent is allowed; a gauge that reads a quarter more or less is not."""
    capture, truth = cranking_of(lead="pressure", cylinder=4)
    bar = float(truth.peak_gauge_bar[2])
    agree, *wrong = (sound(analyse(capture, FOUR, sync=SyncSpec("pressure", 4), gauge=Gauge(4, bar * factor)))
                     for factor in (1.0, 1.25, 0.75))
    assert codes(agree.notes) == ["gauge-used"]
    assert "gauge-disagrees" not in codes(agree.cautions)
    for result, factor in zip(wrong, (1.25, 0.75), strict=True):
        assert codes(result.notes) == ["gauge-used"]
        (caution,) = [c for c in result.cautions if c.code == "gauge-disagrees"]
        assert caution.facts["cylinder"] == 4
        assert caution.facts["gauge_bar"] == pytest.approx(factor * bar)
        assert caution.facts["channel_bar"] == pytest.approx(bar, rel=0.05)


def test_a_gauge_on_a_dead_cylinder_scales_nothing(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    result = sound(analyse(capture, FOUR, sync=SyncSpec("waste-spark", 1), gauge=Gauge(3, 0.2)))
    assert [c.facts for c in result.cautions if c.code == "gauge-not-used"] == [
        {"cylinder": 3, "why": "too-low-to-scale"}]
    assert all(c.pressure_bar is None for c in result.cylinders)


def test_a_board_that_loses_one_row_in_a_hundred_is_answered_like_a_good_one(cranking_of):
    """Single rows all over, and fifteen milliseconds now and then, as a serial line stalls."""
    capture, _ = cranking_of(dead=3, leak_mm2=400.0)
    rng = np.random.default_rng(11)
    samples = capture.samples.copy()
    samples[rng.random(len(samples)) < 0.01] = np.nan
    stall = round(0.015 * capture.rate_hz)
    for at in rng.integers(0, len(samples) - stall, 20):
        samples[at : at + stall] = np.nan
    good, holed = (sound(analyse(c, FOUR)) for c in (capture, replace(capture, samples=samples)))
    assert holed.verdict == good.verdict == "uneven"
    assert "cut-by-gap" not in codes(holed.cautions)
    for a, b in zip(good.cylinders, holed.cylinders, strict=True):
        assert a.relative_percent == pytest.approx(b.relative_percent, abs=3.0)


def test_the_sync_pulses_of_a_picture_are_those_that_were_looked_at(cranking_of):
    capture, _ = cranking_of(dead=3, leak_mm2=400.0, lead="waste-spark")
    result = analyse(capture, FOUR, sync=SyncSpec("waste-spark", 1))
    assert len(result.sync_pulses_s) == result.sync.events
    assert result.trace.crank.start_s <= result.sync_pulses_s[0]
    assert result.sync_pulses_s[-1] <= result.trace.crank.end_s
    assert analyse(capture, FOUR).sync_pulses_s == ()
