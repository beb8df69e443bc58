"""Several cranks of one engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Cranking, Engine, Gauge, InputError, Notice, Result, Thresholds, pooled_cranks
from crankfold.analysis.answer import judge
from crankfold.analysis.many.pooling import pooled
from crankfold.analysis.sync import anchored

FOUR = Engine((1, 3, 4, 2))


def result(relative, half=3.0, engine=FOUR, *, named=True, cautions=()):
    relative = np.asarray(relative, dtype=float)
    numbers = engine.firing_order if named else (None,) * engine.cylinders
    ranges = np.column_stack((relative - half, relative + half))
    verdict, cylinders = judge(relative, ranges, numbers, Thresholds())
    return Result(verdict, engine, cylinders=cylinders, cautions=cautions)


def test_the_surer_crank_counts_for_more():
    """Half widths of 2 and 4 weigh 4 to 1 (by hand): 80 and 90 make 82."""
    out = pooled([result((100, 99, 80, 98), 2.0), result((100, 99, 90, 98), 4.0)])
    assert out.cylinders[2].relative_percent == pytest.approx(82.0)
    assert out.notes[-1] == Notice("pooled", {"count": 2})


def test_cranks_that_agree_are_no_surer_than_the_best_of_them():
    out = pooled([result((100, 99, 90, 98), h) for h in (3.0, 2.0, 4.0)])
    assert out.cylinders[2].interval_percent == pytest.approx((88.0, 92.0))


def test_cranks_that_disagree_are_less_sure():
    """72 and 82 scatter by 7.07: 1.96 of that over the root of two is 9.8 (by hand)."""
    out = pooled([result((100, 99, 72, 98), 4.0), result((100, 99, 82, 98), 4.0)])
    assert out.cylinders[2].relative_percent == pytest.approx(77.0)
    assert out.cylinders[2].interval_percent == pytest.approx((77.0 - 9.8, 77.0 + 9.8), abs=0.01)
    assert out.verdict == "limit"
    assert [c.code for c in out.cautions] == ["near-limit", "cranks-disagree"]


def test_verdict_and_pattern_are_those_of_the_mean():
    out = pooled([result((100, 99, 10, 98)), result((100, 99, 12, 98), cautions=(Notice("few-cycles"),))])
    assert out.verdict == "uneven"
    assert out.low == (4,)
    assert out.pattern.code == "one-dead"
    assert [c.code for c in out.cautions] == ["few-cycles"]


@pytest.mark.parametrize(("results", "what"), [
    ([result((100,) * 4)], "one crank alone"),
    ([result((100,) * 4), Result("none", FOUR, reasons=(Notice("too-short"),))], "capture 2 has no verdict"),
    ([result((100,) * 4), result((100,) * 3, engine=Engine((1, 3, 2)))], "capture 2 is of another engine"),
])
def test_what_cannot_be_pooled_is_said(results, what):
    with pytest.raises(InputError, match=what):
        pooled(results)


def test_cranks_without_numbers_are_turned_to_the_one_that_has():
    """The same low cylinder, the third of the order, stands first and second in the two that know no names."""
    unnamed = [result((52, 98, 100, 99), named=False), result((97, 48, 99, 100), named=False)]
    out = pooled([unnamed[0], result((100, 98, 50, 99)), unnamed[1]])
    assert [c.cylinder for c in out.cylinders] == [1, 3, 4, 2]
    assert out.low == (4,)
    assert out.cylinders[2].relative_percent == pytest.approx(50.0)
    alone = pooled(unnamed)
    assert alone.low_positions == (1,)
    assert alone.low == ()


def test_uneven_firing_is_turned_only_by_its_pattern():
    vee = Engine((1, 6, 5, 4, 3, 2), (90, 150))
    out = pooled([result((100, 100, 50, 100, 100, 100), engine=vee),
                  result((100, 48, 100, 100, 100, 100), engine=vee, named=False)])
    assert out.reasons[0].facts["why"] == "cranks-disagree"  # not laid on each other: one is before a short interval


def test_cranks_that_differ_more_than_their_intervals_allow_are_a_caution():
    """Half widths of 3 allow 1.3 times 4.24: 6 apart is within, 8 apart is not (by hand)."""
    near = pooled([result((100, 99, 92, 98)), result((100, 99, 86.6, 98))])
    far = pooled([result((100, 99, 92, 98)), result((100, 99, 84, 98))])
    assert "cranks-disagree" not in [c.code for c in near.cautions]
    (caution,) = [c for c in far.cautions if c.code == "cranks-disagree"]
    assert (caution.facts["cylinders"], caution.facts["least_percent"], caution.facts["most_percent"]) == ((4,), 84, 92)


def test_cranks_that_say_the_opposite_give_no_verdict():
    out = pooled([result((100, 99, 60, 98)), result((100, 60, 99, 98))])
    assert (out.verdict, out.cylinders, out.low) == ("none", (), ())
    assert [(r.code, r.facts["why"]) for r in out.reasons] == [("not-explained", "cranks-disagree")]
    assert pooled([result((100, 99, 60, 98)), result((100, 99, 66, 98))]).verdict == "uneven"


def test_a_crank_without_a_verdict_is_left_out_and_named():
    short = Result("none", FOUR, reasons=(Notice("too-short"),))
    one = pooled_cranks([short, result((100, 99, 60, 98))])
    assert one.low == (4,)
    assert one.cautions[-1] == Notice("crank-left-out", {"count": 1, "of": 2, "code": "too-short"})
    two = pooled_cranks([result((100, 99, 60, 98)), short, result((100, 99, 62, 98))])
    assert (two.notes[-1].facts["count"], two.cautions[-1].code) == (2, "crank-left-out")
    assert pooled_cranks([short, short]).reasons == short.reasons


def with_bar(made, bar):
    return replace(made, cylinders=anchored(made.cylinders, Gauge(1, bar, 0.3)))


def test_pressures_are_pooled_where_every_crank_has_them():
    first, second = with_bar(result((100, 99, 60, 98)), 12.0), with_bar(result((100, 99, 60, 98)), 12.2)
    out = pooled([first, second])
    assert out.cylinders[0].pressure_bar == pytest.approx(12.1)
    assert out.cylinders[0].pressure_interval_bar == pytest.approx((11.8, 12.4))  # the gauge's own 0.3, no surer
    low = out.cylinders[2]
    assert low.pressure_bar == pytest.approx(7.26, abs=0.01)
    assert low.pressure_interval_bar[0] < low.pressure_bar < low.pressure_interval_bar[1]
    assert pooled([first, result((100, 99, 60, 98))]).cylinders[0].pressure_bar is None


@pytest.mark.parametrize(("cycles", "few"), [((1.4, 1.4), True), ((1.6, 1.6), False)])
def test_cranks_that_are_short_alone_are_long_enough_together(cycles, few):
    made = [replace(result((100, 99, 60, 98), cautions=(Notice("few-cycles"),)),
                    cranking=Cranking(0.5, 1.5, c, 180.0, None, None, 1000.0)) for c in cycles]
    assert ("few-cycles" in [c.code for c in pooled(made).cautions]) is few


def test_one_crank_that_names_names_all():
    unnamed = result((100, 99, 60, 98), named=False, cautions=(Notice("sync-cannot-name"), Notice("no-scale")))
    assert [c.code for c in pooled([unnamed, result((100, 99, 60, 98))]).cautions] == ["no-scale"]
    assert [c.code for c in pooled([unnamed, unnamed]).cautions] == ["sync-cannot-name", "no-scale"]


def test_one_crank_that_is_left_stands_alone():
    short = Result("none", FOUR, reasons=(Notice("too-short"),))
    alone = result((100, 99, 60, 98))
    assert pooled_cranks([alone]) is alone
    out = pooled_cranks([short, alone, short])
    assert out.cylinders == alone.cylinders
    assert out.notes == ()
    assert out.cautions == (Notice("crank-left-out", {"count": 2, "of": 3, "code": "too-short"}),)


def test_engines_that_differ_only_in_their_intervals_are_not_pooled():
    one, other = Engine((1, 2), (270, 450)), Engine((1, 2), (450, 270))
    with pytest.raises(InputError, match="capture 2 is of another engine"):
        pooled([result((100, 90), engine=one), result((100, 90), engine=other)])


@pytest.mark.parametrize(("low", "high", "verdict"), [
    (71.8, 78.2, "none"), (72.2, 78.4, "limit"), (71.6, 77.8, "limit")])
def test_only_cranks_clear_of_the_limit_on_both_sides_contradict(low, high, verdict):
    """Half intervals of 3 about a limit of 75: one must lie below 72 and the other above 78."""
    out = pooled([result((100, 99, low, 98)), result((100, 99, high, 98))])
    assert out.verdict == verdict
    assert ("cranks-disagree" in [c.code for c in out.cautions]) is (verdict != "none")  # else it is the reason


def test_no_crank_counts_for_more_than_half_a_percent_either_way():
    """One that claims to be sure to a tenth weighs as one sure to a half: 1 to 4 against one sure to a whole."""
    out = pooled([result((100, 99, 80, 98), 0.1), result((100, 99, 81, 98), 1.0)])
    assert out.cylinders[2].relative_percent == pytest.approx(80.2)
    alike = pooled([result((100, 99, 80, 98), 0.0), result((100, 99, 80, 98), 0.0)])
    assert alike.cylinders[2].interval_percent == pytest.approx((79.5, 80.5))


def test_half_percents_of_an_interval_count():
    """Half widths of 2.5 and 5 weigh 4 to 1."""
    out = pooled([result((100, 99, 80, 98), 2.5), result((100, 99, 90, 98), 5.0)])
    assert out.cylinders[2].relative_percent == pytest.approx(82.0)


@pytest.mark.parametrize("at", range(4))
def test_the_cylinder_that_cranks_disagree_about_is_named(at):
    low, high = [99.0] * 4, [99.0] * 4
    low[at], high[at] = 84.0, 92.0
    (caution,) = [c for c in pooled([result(low), result(high)]).cautions if c.code == "cranks-disagree"]
    assert (caution.facts["position"], caution.facts["cylinders"]) == (at + 1, (FOUR.firing_order[at],))
    unnamed = pooled([result(low, named=False), result(low, named=False), result(high, named=False)])
    assert [c.facts["cylinders"] for c in unnamed.cautions if c.code == "cranks-disagree"] == [()]


def test_where_no_crank_has_a_verdict_the_first_one_s_reasons_are_the_answer():
    results = [Result("none", FOUR, reasons=(Notice(code),)) for code in ("too-short", "clipped", "gap")]
    assert pooled_cranks(results) is results[0]
