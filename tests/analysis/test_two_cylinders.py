"""Two cylinders, whose faults are told apart less surely: a case that gives each reason, and one just short of it."""

from __future__ import annotations

import pytest

from crankfold.analysis import Engine, Thresholds
from crankfold.analysis.answer import judge
from crankfold.analysis.criticism.two_cylinders import doubts_of_two

TWIN = Engine((1, 2))


def doubts(estimate):
    _, cylinders = judge(estimate.relative_percent, estimate.interval_percent, (None, None), Thresholds())
    return doubts_of_two(estimate, cylinders, Thresholds())


@pytest.mark.parametrize(("relative", "heights", "rpm", "rival", "why"), [
    ((100, 48), (100, 7), 180.0, 9.0, "heights"), ((100, 48), (100, 9), 180.0, 9.0, None),
    ((100, 28), (100, 0), 180.0, 9.0, None), ((100, 99), (100, 98), 155.0, 1.9, "two-answers"),
    ((100, 99), (100, 98), 105.0, 1e6, "two-answers"), ((100, 99), (100, 98), 115.0, 1e6, None),
    ((100, 99), (100, 98), 105.0, 9.0, "two-answers"),
    ((100, 99), (100, 95), 105.0, 9.0, None), ((100, 90), (100, 98), 105.0, 9.0, None),
    ((100, 50), (100, 89), 180.0, 9.0, "heights"), ((100, 56), (100, 88), 180.0, 9.0, None),
    ((100, 20), (100, 25), 105.0, 1e6, None),
    ((100, 99), (100, 98), 155.0, 2.1, None), ((100, 99), (100, 98), 165.0, 1.9, None),
    ((100, 0), (100, 1), 305.0, 1e6, "two-answers"), ((100, 0), (100, 1), 295.0, 1e6, None),
    ((100, 0), (100, 1), 305.0, 9.0, "two-answers"), ((100, 20), (100, 12), 305.0, 1e6, None),
])
def test_two_cylinders_that_could_be_something_else(relative, heights, rpm, rival, why, estimate_of):
    """A pressure without a hump of its own; or one hump a cycle at twice the speed, dead cylinder and all."""
    reasons = doubts(estimate_of(TWIN, relative=relative, heights=heights, rpm=rpm,
                                 details={"rival_cost_ratio": rival}))
    assert [r.facts["why"] for r in reasons] == ([why] if why else [])


@pytest.mark.parametrize(("ratio", "lag_s", "why"), [(6.0, 0.18, "two-answers"), (6.0, 0.09, None), (7.0, 0.18, None)])
def test_of_two_cylinders_humps_too_broad_may_be_those_of_half_the_speed(ratio, lag_s, why, estimate_of):
    details = {"rival_cost_ratio": 9.0, "ratio": ratio, "lag_s": lag_s}
    reasons = doubts(estimate_of(TWIN, relative=(100, 10), heights=(100, 13), rpm=280.0, details=details))
    assert [r.facts["why"] for r in reasons] == ([why] if why else [])


@pytest.mark.parametrize(("relative", "height", "width", "found"), [
    (97.0, 69.0, 50.0, True), (97.0, 71.0, 50.0, False), (97.0, 69.0, 40.0, False), (70.0, 69.0, 20.0, False),
])
def test_two_cylinders_alike_by_the_fit_but_not_by_their_humps(relative, height, width, found, estimate_of):
    """Refused only where the interval, too, lets the weaker one be low; and not where it is called low anyway."""
    reasons = doubts(estimate_of(TWIN, relative=(100, relative), heights=(100, height), width=width))
    assert [r.facts.get("position") for r in reasons if r.facts["why"] == "heights"] == ([2] if found else [])


@pytest.mark.parametrize(("repeat", "found"), [(0.65, ["not-explained"]), (0.75, [])])
def test_two_cylinders_whose_cycles_do_not_repeat(repeat, found, estimate_of):
    reasons = doubts(estimate_of(TWIN, details={"rate_repeat": repeat}))
    assert [r.code for r in reasons] == found


@pytest.mark.parametrize(("jump", "found"), [(0.51, ["two-answers"]), (0.49, [])])
def test_two_humps_by_one_cylinder_that_jumps_between_them(jump, found, estimate_of):
    reasons = doubts(estimate_of(TWIN, relative=(100, 30), heights=(100, 25), details={"jump_humps": jump}))
    assert [r.facts["why"] for r in reasons] == found


@pytest.mark.parametrize(("relative", "height", "why"), [
    ((100, 31), (100, 7.9), ["heights"]), ((100, 31), (100, 8.1), []), ((100, 29), (100, 7.9), []),
    ((100, 74.9), (100, 110.0), ["heights"]), ((100, 75.1), (100, 111.0), []), ((100, 73.0), (100, 107.9), [])])
def test_how_far_humps_and_fit_of_two_may_be_apart(relative, height, why, estimate_of):
    """Above 30 % a cylinder has a hump of 8 % at least; one below 75 % none that stands 35 points above it."""
    reasons = doubts(estimate_of(TWIN, relative=relative, heights=height, width=2.0))
    assert [r.facts["why"] for r in reasons] == why
