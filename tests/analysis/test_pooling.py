"""Several cranks of one engine."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.engine import Engine
from crankfold.analysis.errors import InputError
from crankfold.analysis.pooling import pooled, pooled_cranks
from crankfold.analysis.result import Notice, Result
from crankfold.analysis.verdict import Thresholds, judge

FOUR = Engine((1, 3, 4, 2))


def result(relative, half=3.0, engine=FOUR, *, named=True, cautions=()):
    relative = np.asarray(relative, dtype=float)
    numbers = engine.firing_order if named else (None,) * engine.cylinders
    verdict, cylinders = judge(relative, np.column_stack((relative - half, relative + half)), numbers, Thresholds())
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
    assert out.verdict == "even"
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
