"""Variance components and uncertainty budgets.

Sources: statsmodels' MixedLM (computed here); JCGM 100:2008 (GUM), example H.1, end-gauge calibration (values from
memory); scipy's F of a balanced design (computed).
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import stats

from crankfold.analysis.many.budget import Component, budget
from crankfold.analysis.many.mixed import components


def test_the_end_gauge_of_the_gum() -> None:
    """H.1: contributions 25, 9.7 (of 5.8, 3.9, 6.7), 2.9 and 16.6 nm: 32 nm, 16 degrees, k 2.92, 93 nm at 99 %."""
    read = budget(0.0, [Component("d", 5.8, 24), Component("d1", 3.9, 5), Component("d2", 6.7, 8)])
    assert read.combined == pytest.approx(9.7, abs=0.05)
    assert read.degrees == pytest.approx(25.6, abs=0.4)
    found = budget(50_000_838.0, [Component("standard", 25.0, 18), Component("reading", 9.7, 25.6),
                                  Component("expansion", 2.9, 50), Component("temperature", 16.6, 2)], level=0.99)
    assert found.combined == pytest.approx(32.0, abs=0.5)
    assert int(found.degrees) == 16
    assert found.factor == pytest.approx(2.92, abs=0.005)
    assert found.expanded == pytest.approx(93.0, abs=1.0)
    assert [part.code for part in found.components] == ["standard", "temperature", "reading", "expansion"]


def test_a_balanced_one_way_design_is_the_analysis_of_variance() -> None:
    rng = np.random.default_rng(11)
    y = 50.0 + rng.normal(0.0, 3.0, 8)[:, None] + rng.normal(0.0, 1.5, (8, 5))
    found = components(y.ravel(), ["all"] * 40, {"group": np.repeat(np.arange(8), 5).tolist()})
    within = float(np.mean(y.var(axis=1, ddof=1)))
    between = stats.f_oneway(*y).statistic * within
    assert found.sd["rest"] == pytest.approx(np.sqrt(within), rel=1e-4)
    assert found.sd["group"] == pytest.approx(np.sqrt((between - within) / 5.0), rel=1e-4)
    assert found.mean["all"] == pytest.approx(y.mean())


def test_nothing_between_groups_is_nothing() -> None:
    y = np.array([1.0, 2.0, 3.0, 4.0] * 3)
    found = components(y, ["all"] * 12, {"group": np.repeat(np.arange(3), 4).tolist()})
    assert found.sd["group"] < 1e-3
    assert found.sd["rest"] == pytest.approx(y.std(ddof=1), rel=1e-3)


def test_cranks_and_rigs_as_statsmodels_has_them() -> None:
    """MixedLM, REML, four cylinders, five rigs of unequal size, crank within rig, rig by cylinder."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what another package warns of is not ours
        import pandas as pd
        import statsmodels.formula.api as smf

    rng = np.random.default_rng(12)
    rows, crank = [], 0
    own = rng.normal(0.0, 1.0, (5, 4))
    for rig, size in enumerate((4, 6, 3, 5, 7)):
        shift = rng.normal(0.0, 1.5)
        for _ in range(size):
            both = rng.normal(0.0, 0.8)
            rows += [(100.0 - 10.0 * c + shift + own[rig, c] + both + rng.normal(0.0, 0.6), c, crank, rig)
                     for c in range(4)]
            crank += 1
    table = pd.DataFrame(rows, columns=["y", "cylinder", "crank", "rig"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = smf.mixedlm("y ~ 0 + C(cylinder)", table, groups="rig", re_formula="1", vc_formula={
            "crank": "0 + C(crank)", "cylinder": "0 + C(cylinder)"}).fit(reml=True)
    random = {"crank": table.crank.tolist(), "rig": table.rig.tolist(),
              "rig x cylinder": list(zip(table.rig, table.cylinder, strict=True))}
    found = components(table.y.to_numpy(), table.cylinder.tolist(), random)
    theirs = dict(zip(fit.model.exog_vc.names, np.sqrt(fit.vcomp), strict=True))
    assert found.sd["rest"] == pytest.approx(np.sqrt(fit.scale), rel=2e-3)
    assert found.sd["crank"] == pytest.approx(theirs["crank"], rel=5e-3)
    assert found.sd["rig x cylinder"] == pytest.approx(theirs["cylinder"], rel=5e-3)
    assert found.sd["rig"] == pytest.approx(np.sqrt(fit.cov_re.iloc[0, 0]), rel=5e-3)
    assert list(found.mean.values()) == pytest.approx(fit.fe_params.tolist(), rel=1e-4)
    assert list(found.mean_error.values()) == pytest.approx(fit.bse_fe.tolist(), rel=5e-3)
    assert found.log_likelihood == pytest.approx(fit.llf, abs=0.01)
