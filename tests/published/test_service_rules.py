"""Rules of printed service manuals that the program follows: the limit for low compression, and how long to crank.

Source of the limit: Ford LSG-875 engine service manual, compression chart, page I-08: lowest at least 75 % of highest,
in psi.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import RecordingPlan
from crankfold.acquire.stream.plan import CRANK_AT_MOST_S, REST_S
from crankfold.analysis import Thresholds
from crankfold.analysis.answer import judge

CHART_PSI = [(134, 101), (140, 105), (150, 113), (154, 115), (160, 120), (174, 131), (188, 141), (196, 147), (210, 157),
             (224, 168), (240, 180)]
LOW = Thresholds().low_percent
MANUALS_S = {  # longest crank and the rest after it
    "Kohler CH11-16 service manual, section 8, electric starters": (10.0, 60.0),
    "US Army TM 5-3810-303-24": (30.0, 120.0),
}
TOP = Path(__file__).resolve().parents[2]
SAYING_HOW_LONG = ("viewer/wording.en.toml", "analysis/recipes.md", "hardware_notes/safety.md",
                   "hardware_notes/setting-up.md", "hardware_notes/board-prints-numbers.md")


@pytest.mark.parametrize(("highest", "lowest"), CHART_PSI)
def test_the_limit_is_the_charts(highest, lowest):
    """The printed values are rounded unevenly, so within half a psi."""
    assert abs(lowest - LOW / 100.0 * highest) <= 0.5


@pytest.mark.parametrize(("highest", "lowest"), CHART_PSI)
def test_a_psi_either_side_of_the_chart_falls_on_either_side_of_the_verdict(highest, lowest):
    for psi, verdict in ((lowest - 1, "uneven"), (lowest + 1, "even")):
        percent = np.array([100.0, 100.0 * psi / highest])
        assert judge(percent, np.column_stack((percent, percent)), (1, 2), Thresholds())[0] == verdict


def test_no_manual_allows_less_cranking_or_asks_for_a_longer_share_of_rest() -> None:
    assert RecordingPlan().rest_after_s == CRANK_AT_MOST_S
    for crank_s, rest_s in MANUALS_S.values():
        assert crank_s >= CRANK_AT_MOST_S
        assert rest_s / crank_s <= REST_S / CRANK_AT_MOST_S


@pytest.mark.parametrize("name", SAYING_HOW_LONG)
def test_every_text_that_says_how_long_to_crank_says_the_same(name: str) -> None:
    text = " ".join((TOP / name).read_text(encoding="utf-8").split())
    said = re.findall(r"(\w+) seconds at most", text)
    assert (CRANK_AT_MOST_S, REST_S) == (10.0, 60.0)
    assert said and set(said) == {"10"}, said
    assert not re.search(r"(?i)(15|fifteen) (s|seconds) (at most|are over)|rest as long|as long a rest", text)
    assert re.search(r"minute's rest|for a minute", text)
