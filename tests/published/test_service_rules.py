"""The trade's limit for low compression, against a printed service table.

Source: Ford LSG-875 engine service manual, compression chart, page I-08: lowest at least 75 % of highest, in psi.
"""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis.answer.verdict import Thresholds, judge

CHART_PSI = [(134, 101), (140, 105), (150, 113), (154, 115), (160, 120), (174, 131), (188, 141), (196, 147), (210, 157),
             (224, 168), (240, 180)]
LOW = Thresholds().low_percent


@pytest.mark.parametrize(("highest", "lowest"), CHART_PSI)
def test_the_limit_is_the_charts(highest, lowest):
    """The printed values are rounded unevenly, so within half a psi."""
    assert abs(lowest - LOW / 100.0 * highest) <= 0.5


@pytest.mark.parametrize(("highest", "lowest"), CHART_PSI)
def test_a_psi_either_side_of_the_chart_falls_on_either_side_of_the_verdict(highest, lowest):
    for psi, verdict in ((lowest - 1, "uneven"), (lowest + 1, "even")):
        percent = np.array([100.0, 100.0 * psi / highest])
        assert judge(percent, np.column_stack((percent, percent)), (1, 2), Thresholds())[0] == verdict
