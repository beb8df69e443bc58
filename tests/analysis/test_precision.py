"""How well repeated results agree, by cylinder, and what cannot be studied; certified values are in `published`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Cylinder, Engine, InputError, Result, same_recordings, study
from crankfold.analysis.many.precision import precision, variances

ENGINE = Engine((1, 3, 4, 2))


def result(percents, half=2.0, numbers=(1, 3, 4, 2), engine=ENGINE) -> Result:
    return Result("even", engine, cylinders=tuple(
        Cylinder(k + 1, n, p, (p - half, p + half), "good")
        for k, (n, p) in enumerate(zip(numbers, percents, strict=True))))


def test_known_spread_is_found_by_cylinder() -> None:
    draw = np.random.default_rng(3)
    results = [result(np.array([100.0, 96.0, 98.0, 60.0]) + draw.normal(0, [0.5, 1.0, 2.0, 4.0])) for _ in range(400)]
    found = study(results)
    assert [f.cylinder for f in found] == [1, 3, 4, 2]
    assert [f.precision.repeatability_sd for f in found] == [pytest.approx(s, rel=0.15) for s in (0.5, 1.0, 2.0, 4.0)]
    assert found[3].precision.mean == pytest.approx(60.0, abs=0.8)
    assert found[0].claimed_sd == pytest.approx(2.0 / 1.96, rel=1e-3)


@pytest.mark.parametrize(("results", "told"), [
    ([result([1, 2, 3, 4])], "at least two"),
    ([result([1, 2, 3, 4]), Result("none", ENGINE)], "no verdict"),
    ([result([1, 2, 3, 4]), result([1, 2, 3, 4], numbers=(None,) * 4)], "no numbers"),
    ([result([1, 2, 3, 4]), result([1, 2, 3, 4], engine=Engine((1, 2, 4, 3)))], "another engine")])
def test_what_cannot_be_studied_is_refused(results, told) -> None:
    with pytest.raises(InputError, match=told):
        study(results)


def test_the_same_recording_twice_repeats_nothing(trace_of) -> None:
    one, other = trace_of(), trace_of(mean=151.0)
    results = [replace(result([1, 2, 3, k]), trace=trace) for k, trace in enumerate((one, other, None, trace_of()))]
    assert same_recordings(results) == (None, None, None, 0)
    assert len(study(results[:3])) == 4
    with pytest.raises(InputError, match=r"capture 4 is the same recording as capture 1, .*crank again"):
        study(results)


@pytest.mark.parametrize(("values", "groups", "told"), [
    ([1.0, 2.0], ["a"], "do not go together"), (1.0, ["a"], "do not go together"),
    ([[1.0, 2.0], [3.0, 4.0]], ["a", "a"], "do not go together"),
    ([1.0, float("nan")], ["a", "a"], "missing or infinite"),
    ([1.0, 2.0], ["a", "b"], "no group holds two")])
def test_variances_refuse_what_makes_no_sense(values, groups, told) -> None:
    with pytest.raises(InputError, match=told):
        variances(values, groups)


def test_groups_that_are_alike_add_nothing() -> None:
    found = precision([1.0, 3.0, 1.0, 3.0], ["a", "a", "b", "b"])
    assert (found.between_sd, found.reproducibility_sd) == (0.0, found.repeatability_sd)
    constant = precision([5.0, 5.0, 5.0, 5.0], ["a", "a", "b", "b"])
    assert (constant.repeatability_sd, constant.p) == (0.0, None)


def test_what_laboratories_expect_of_three_rigs_is_worked_out_by_hand() -> None:
    """Means 11, 12 and 16 about 13: squares of 28 between, with 2 degrees of freedom, and of 6 within, with 3."""
    found = precision([10.0, 12.0, 11.0, 13.0, 15.0, 17.0], [1, 1, 2, 2, 3, 3])
    assert (found.mean, found.count, found.groups) == (13.0, 6, 3)
    assert found.repeatability_sd == pytest.approx(math.sqrt(6 / 3))
    assert found.between_sd == pytest.approx(math.sqrt((28 / 2 - 6 / 3) / 2))
    assert found.reproducibility_limit == pytest.approx(2.8 * math.sqrt(6.0 + 2.0))
    assert variances([10.0, 12.0, 11.0, 13.0, 15.0, 17.0], [1, 1, 2, 2, 3, 3]).f == pytest.approx((28 / 2) / (6 / 3))
    assert found.p == pytest.approx((1 + 2 * 7 / 3) ** -1.5)  # closed form for two degrees of freedom over three


def test_one_group_alone_has_repeatability_and_no_more() -> None:
    found = precision([1.0, 2.0, 3.0])
    assert found.repeatability_sd == pytest.approx(1.0)
    assert (found.groups, found.between_sd, found.reproducibility_sd, found.reproducibility_limit, found.p) == (
        1, None, None, None, None)
    assert variances([1.0, 2.0, 3.0], "aaa").typical_size == 3.0


def test_groups_of_a_study_are_the_rigs() -> None:
    results = [result([100.0, 96.0, 98.0, 60.0 + d]) for d in (0.0, 2.0, 6.0, 8.0)]
    found = study(results, ["old", "old", "new", "new"])[3]
    assert (found.position, found.cylinder, found.precision.groups) == (4, 2, 2)
    assert found.precision.repeatability_sd == pytest.approx(math.sqrt(2.0))
    assert found.precision.reproducibility_sd > found.precision.repeatability_sd
