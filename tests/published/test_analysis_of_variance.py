"""One-way analysis of variance against certified values, and the ISO 5725 figures that follow from them.

Source: NIST Statistical Reference Datasets, analysis of variance, SiRstv (lower difficulty, observed resistances of
silicon wafers on five instruments) and SmLs04 (average difficulty, seven constant leading digits).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from crankfold.analysis.many.precision import precision, variances

RESISTANCE = """
196.3052 196.1240 196.1890 196.2569 196.3403
196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811
196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""
CERTIFIED_BETWEEN, CERTIFIED_WITHIN, CERTIFIED_F = 5.11462616e-2, 2.16636560e-1, 1.18046237440255
CERTIFIED_RESIDUAL_SD = 0.104076068334656


def resistances():
    rows = [list(map(float, line.split())) for line in RESISTANCE.strip().splitlines()]
    return np.ravel(rows), np.repeat(np.arange(5), 5).tolist()


def test_certified_sums_of_squares() -> None:
    table = variances(*resistances())
    assert (table.between_df, table.within_df, table.typical_size) == (4, 20, 5.0)
    assert table.between_ss == pytest.approx(CERTIFIED_BETWEEN, rel=1e-9)
    assert table.within_ss == pytest.approx(CERTIFIED_WITHIN, rel=1e-9)
    assert table.f == pytest.approx(CERTIFIED_F, rel=1e-9)


def test_repeatability_is_the_certified_residual_and_reproducibility_follows() -> None:
    found = precision(*resistances())
    assert found.repeatability_sd == pytest.approx(CERTIFIED_RESIDUAL_SD, rel=1e-9)
    between = (CERTIFIED_BETWEEN / 4 - CERTIFIED_WITHIN / 20) / 5
    assert found.reproducibility_sd == pytest.approx(math.sqrt(between + CERTIFIED_RESIDUAL_SD**2), rel=1e-9)
    assert found.repeatability_limit == pytest.approx(2.8 * CERTIFIED_RESIDUAL_SD, rel=1e-9)


def test_seven_constant_leading_digits_cost_none_of_the_others() -> None:
    """SmLs04: 9 treatments of 21, all made of tenths about 1,000,000; certified 1.68 between, 1.80 within, F 21."""
    levels = np.array([0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5])
    steps = np.array([0.0, *[-0.1, 0.1] * 10])
    table = variances((1e6 + levels[:, None] + steps).ravel(), np.repeat(np.arange(9), 21).tolist())
    assert (table.between_df, table.within_df) == (8, 180)
    assert table.between_ss == pytest.approx(1.68, rel=1e-7)
    assert table.within_ss == pytest.approx(1.80, rel=1e-7)
    assert table.f == pytest.approx(21.0, rel=1e-7)


@pytest.mark.parametrize("seed", range(3))
def test_unequal_groups_against_scipy(seed: int) -> None:
    draw = np.random.default_rng(seed)
    parts = [draw.normal(90 + k, 2.0, size) for k, size in enumerate((3, 7, 4))]
    groups = [k for k, part in enumerate(parts) for _ in part]
    table = variances(np.concatenate(parts), groups)
    theirs = stats.f_oneway(*parts)
    assert (table.f, table.p) == (pytest.approx(theirs.statistic), pytest.approx(theirs.pvalue))


def test_drawn_components_are_found_again() -> None:
    """With 400 groups of 5, the standard errors of the two figures are about 2 and 4 percent."""
    draw = np.random.default_rng(5)
    values = 80.0 + np.repeat(draw.normal(0, 3.0, 400), 5) + draw.normal(0, 1.5, 2000)
    found = precision(values, np.repeat(np.arange(400), 5).tolist())
    assert found.repeatability_sd == pytest.approx(1.5, rel=0.08)
    assert found.reproducibility_sd == pytest.approx(math.hypot(3.0, 1.5), rel=0.15)
