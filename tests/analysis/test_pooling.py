"""Several cranks of one engine."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.engine import Engine
from crankfold.analysis.errors import InputError
from crankfold.analysis.pooling import pooled
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
    """70 and 84 scatter by 9.9: 1.96 of that over the root of two is 13.72 (by hand)."""
    out = pooled([result((100, 99, 70, 98)), result((100, 99, 84, 98))])
    assert out.cylinders[2].relative_percent == pytest.approx(77.0)
    assert out.cylinders[2].interval_percent == pytest.approx((77.0 - 13.72, 77.0 + 13.72), abs=0.01)
    assert out.verdict == "even"
    assert [c.code for c in out.cautions] == ["near-limit"]


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
    ([result((100,) * 4, named=False), result((100,) * 4)], "capture 1 have no numbers"),
])
def test_what_cannot_be_pooled_is_said(results, what):
    with pytest.raises(InputError, match=what):
        pooled(results)
