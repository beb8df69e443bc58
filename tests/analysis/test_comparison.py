"""Before and after."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Engine, InputError, Notice, Result, Thresholds, compare
from crankfold.analysis.answer import judge

FOUR = Engine((1, 3, 4, 2))


def result(relative, half=2.0, engine=FOUR, *, named=True):
    relative = np.asarray(relative, dtype=float)
    numbers = engine.firing_order if named else (None,) * engine.cylinders
    verdict, cylinders = judge(relative, np.column_stack((relative - half, relative + half)), numbers, Thresholds())
    return Result(verdict, engine, cylinders=cylinders)


def test_better_worse_and_cannot_tell():
    found = {d.cylinder: d for d in compare(result((100, 40, 98, 96)), result((100, 97, 90, 97)))}
    assert {c: d.change for c, d in found.items()} == {1: "cannot-tell", 3: "better", 4: "worse", 2: "cannot-tell"}
    assert found[3].difference_percent == pytest.approx(57.0)
    assert found[3].interval_percent[0] < 57.0 < found[3].interval_percent[1]


def test_intervals_hold_for_all_cylinders_at_once():
    """Sidak's correction: for four, 0.95**(1/4) two-sided is 2.4909 sigma where one alone is 1.9600 (by hand)."""
    d = compare(result((100,) * 4), result((100,) * 4))[0]
    half = (d.interval_percent[1] - d.interval_percent[0]) / 2
    assert half == pytest.approx(np.hypot(2, 2) * 2.4909 / 1.9600, rel=1e-4)


def test_lopsided_intervals_count_by_the_side_that_matters():
    """The gap is least where the earlier value is at its upper end and the later one at its lower: 10 and 2 points."""
    one, other = result((100, 80, 90, 95)), result((100, 90, 90, 95))
    one = replace(one, cylinders=tuple(replace(c, interval_percent=(75.0, 90.0)) for c in one.cylinders))
    other = replace(other, cylinders=tuple(replace(c, interval_percent=(88.0, 99.0)) for c in other.cylinders))
    d = compare(one, other)[1]
    wide = 2.4909 / 1.9600
    assert d.interval_percent == pytest.approx((10 - wide * np.hypot(2, 10), 10 + wide * np.hypot(9, 5)), abs=1e-3)


@pytest.mark.parametrize(("gap", "change"), [(3.5, "cannot-tell"), (3.7, "better"), (-3.5, "cannot-tell"),
                                            (-3.7, "worse")])
def test_just_inside_and_just_outside_the_interval(gap, change):
    assert compare(result((100, 80, 90, 95)), result((100, 80 + gap, 90, 95)))[1].change == change


@pytest.mark.parametrize(("before", "after", "what"), [
    (result((100,) * 4, named=False), result((100,) * 4), "from before have no numbers"),
    (result((100,) * 4), result((100,) * 4, named=False), "from after have no numbers"),
    (result((100,) * 4, named=False), result((100,) * 4, named=False), "either capture have no numbers"),
    (Result("none", FOUR, reasons=(Notice("too-short"),)), result((100,) * 4), "no verdict"),
    (result((100,) * 4), result((100,) * 3, engine=Engine((1, 3, 2))), "different engines"),
])
def test_what_cannot_be_compared_is_said(before, after, what):
    with pytest.raises(InputError, match=what):
        compare(before, after)
