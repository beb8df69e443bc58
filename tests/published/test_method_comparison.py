"""Comparing two methods: exact binomial limits, limits of agreement, Deming's line, effective numbers of trials.

Sources: statsmodels and scipy, computed here; the peak flow data of Bland and Altman, "Statistical methods for
assessing agreement between two methods of clinical measurement", The Lancet 1986, table 1, with the figures of the
paper.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from scipy import stats

from crankfold.analysis.many.agreement import agreement, deming
from crankfold.analysis.many.precision import variances
from crankfold.analysis.many.proportion import fewer_than, grouped_proportion, needed, proportion

WRIGHT = np.array([[494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
                   [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]], dtype=float)
MINI = np.array([[512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
                 [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]], dtype=float)


@pytest.fixture(scope="module")
def statsmodels_api():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what another package warns of on import is not ours
        import statsmodels.api as sm
        import statsmodels.stats.proportion  # noqa: F401

        return sm


@pytest.mark.parametrize(("found", "of"), [(0, 59), (59, 59), (1, 20), (8, 10), (287, 300), (15, 4000)])
def test_exact_limits_are_those_of_two_libraries(found: int, of: int, statsmodels_api) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="exact"), statsmodels proportion_confint(method="beta")."""
    own = proportion(found, of)
    exact = stats.binomtest(found, of).proportion_ci(method="exact")
    low, high = statsmodels_api.stats.proportion_confint(found, of, method="beta")
    assert (own.low, own.high) == pytest.approx((exact.low, exact.high), abs=1e-12)
    assert (own.low, own.high) == pytest.approx((low, high), abs=1e-12)


def test_none_wrong_of_59_shows_fewer_than_5_percent_and_of_299_fewer_than_1() -> None:
    """The numbers 59 and 299 are those of the success-run rule ln(0.05)/ln(1-p) (textbooks on reliability)."""
    assert [needed(0.05), needed(0.01)] == [59, 299]
    for wrong, of in ((0, 59), (0, 299), (2, 120)):
        one_sided = stats.binomtest(wrong, of, alternative="less").proportion_ci(method="exact").high
        assert fewer_than(wrong, of) == pytest.approx(one_sided, abs=1e-12)
    assert fewer_than(0, 58) > 0.05 > fewer_than(0, 59)
    assert fewer_than(0, 298) > 0.01 > fewer_than(0, 299)


def test_peak_flow_bias_and_limits_of_agreement() -> None:
    """The paper: mean -2.1, s 38.8 l/min; 95 % interval of the mean -22.0 to 17.8; limits with 2 s -79.7 and 75.5,
    their intervals -114.3 to -45.1 and 40.9 to 110.1, by the rounded standard error sqrt(3/n) s for sqrt(2.92/n) s."""
    found = agreement(WRIGHT[0] - MINI[0])
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.limits == pytest.approx((-2.12 - 1.96 * 38.77, -2.12 + 1.96 * 38.77), abs=0.05)
    paper = 2.12 * math.sqrt(3.0 / 17.0) * 38.8
    assert found.high_limit_interval[1] - found.limits[1] == pytest.approx(paper, rel=0.02)
    assert found.limits[0] - found.low_limit_interval[0] == pytest.approx(paper, rel=0.02)


def test_several_values_a_subject_put_variances_together() -> None:
    """Bland and Altman, 1999, section 5.2: both parts by one-way analysis of variance, here scipy's F."""
    differences, subjects = (WRIGHT - MINI).T.ravel(), np.repeat(np.arange(17), 2).tolist()
    found = agreement(differences, subjects)
    pairs = differences.reshape(17, 2)
    within = float(np.mean(pairs.var(axis=1, ddof=1)))
    between = 2.0 * float(pairs.mean(axis=1).var(ddof=1))
    assert stats.f_oneway(*pairs).statistic == pytest.approx(between / within)
    assert variances(differences, subjects).f == pytest.approx(between / within)
    assert found.sd == pytest.approx(math.sqrt(within + (between - within) / 2.0))
    assert found.sd > differences.std(ddof=1) * 0.99
    assert found.subjects == 17


def test_the_mean_of_groups_has_the_cluster_robust_error(statsmodels_api) -> None:
    """statsmodels, least squares on a constant with a covariance by groups."""
    rng = np.random.default_rng(4)
    groups = np.repeat(np.arange(12), rng.integers(2, 8, 12))
    d = rng.normal(0.0, 3.0, 12)[groups] + rng.normal(size=len(groups))
    fit = statsmodels_api.OLS(d, np.ones(len(d))).fit(cov_type="cluster", cov_kwds={"groups": groups}, use_t=True)
    low, high = agreement(d, groups.tolist()).bias_interval
    assert high - low == pytest.approx(2.0 * fit.bse[0] * stats.t.ppf(0.975, 11), rel=1e-9)


def test_trials_that_go_together_count_for_fewer(statsmodels_api) -> None:
    """The effective number gives back the cluster-robust error of statsmodels."""
    rng = np.random.default_rng(5)
    groups = np.repeat(np.arange(60), 4)
    chance = rng.beta(2.0, 0.5, 60)
    hit = rng.random(240) < chance[groups]
    own = grouped_proportion(hit, groups.tolist())
    fit = statsmodels_api.OLS(hit.astype(float), np.ones(240)).fit(cov_type="cluster", cov_kwds={"groups": groups})
    share = hit.mean()
    assert own.effective == pytest.approx(share * (1.0 - share) / fit.bse[0] ** 2, rel=0.01)
    assert own.effective < 200
    assert own.high - own.low > proportion(int(hit.sum()), 240).high - proportion(int(hit.sum()), 240).low


@pytest.mark.parametrize("ratio", [0.25, 1.0, 9.0])
def test_demings_line_is_the_principal_axis_of_scaled_values(ratio: float) -> None:
    """numpy.linalg.eigh of the covariance, y divided by the root of the ratio; the data those of the paper above."""
    x, y = MINI[0], WRIGHT[0] * 0.7 + 20.0
    values, axes = np.linalg.eigh(np.cov(x, y / math.sqrt(ratio)))
    axis = axes[:, int(np.argmax(values))]
    line = deming(x, y, ratio=ratio)
    assert line.slope == pytest.approx(axis[1] / axis[0] * math.sqrt(ratio), rel=1e-10)
    assert line.intercept == pytest.approx(y.mean() - line.slope * x.mean())


def test_demings_intervals_hold_the_true_line() -> None:
    """Simulated, errors of both known: 95 % intervals hold in 91 to 98.5 % of 400 experiments, least squares do not."""
    rng = np.random.default_rng(6)
    held, flat = 0, []
    for _ in range(400):
        true = rng.uniform(0.0, 10.0, 40)
        x, y = true + rng.normal(0.0, 1.0, 40), 1.0 + 0.9 * true + rng.normal(0.0, 0.5, 40)
        line = deming(x, y, ratio=0.25)
        held += line.slope_interval[0] <= 0.9 <= line.slope_interval[1]
        flat.append(np.polyfit(x, y, 1)[0])
    assert 0.91 <= held / 400 <= 0.985
    assert np.mean(flat) < 0.83
