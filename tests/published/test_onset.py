"""Where the cranking begins: ours against seismology's onset triggers.

Source: obspy (https://obspy.org), computed here: the classic STA/LTA trigger and the Akaike picker. They are made for
earthquakes: any rise counts, and they know nothing of starters. The virtual engine tells when the key was turned and
when the starter's contacts closed.
"""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from crankfold.analysis import Capture, condition
from crankfold.plugins.virtual.engine import simulate
from crankfold.plugins.virtual.fleet import FLEET

RATE_HZ = 2000.0
SHORT_S, LONG_S, ON, OFF = 0.02, 0.3, 5.0, 1.0  # window lengths and ratios usual for sharp onsets
SLACK_S = 0.012  # half of the short window, and a millisecond or two


@pytest.fixture(scope="module")
def trigger():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what another package warns of on import is not ours
        from obspy.signal import trigger

        return trigger


def test_the_reference_triggers_as_published(trigger) -> None:
    """Values of obspy's own test suite: recursive STA/LTA of seeded noise."""
    noise = np.random.RandomState(815).randn(100_000)
    found = trigger.recursive_sta_lta(noise, 5, 10)[99:103]
    assert found == pytest.approx([0.80810165, 0.75939449, 0.91763978, 0.97465004], abs=1e-8)


@pytest.mark.parametrize("noise_a", [1.0, 6.0])
@pytest.mark.parametrize("name", ["pump", "launch", "twin"])
def test_both_find_it_between_the_key_and_the_contacts(trigger, name: str, noise_a: float) -> None:
    bench = FLEET[name].bench
    bench = replace(bench, key=replace(bench.key, on_s=0.6))
    run = simulate(bench, 2.4, seed=3)
    step = round(1.0 / (RATE_HZ * float(run.time_s[1] - run.time_s[0])))
    current = run.current_a[::step] + noise_a * np.random.default_rng(8).normal(size=len(run.current_a[::step]))
    key_s, contacts_s = 0.6, 0.6 + bench.starter.pull_in_s
    function = trigger.classic_sta_lta(current, round(SHORT_S * RATE_HZ), round(LONG_S * RATE_HZ))
    theirs = trigger.trigger_onset(function, ON, OFF)[0][0] / RATE_HZ
    picked = 2.0 / RATE_HZ + float(np.argmin(trigger.aic_simple(current[: int(np.argmax(current))])[2:-2])) / RATE_HZ
    ours = condition(Capture.from_arrays(current, rate_hz=RATE_HZ)).crank.start_s
    for at_s in (theirs, picked, ours):
        assert key_s - SLACK_S <= at_s <= contacts_s + SLACK_S
    assert abs(ours - theirs) <= bench.starter.pull_in_s + SLACK_S


def test_a_lamp_before_the_crank_is_an_onset_to_a_seismograph_only(trigger) -> None:
    """Twelve amperes switched on half a second before: STA/LTA takes the step, ours waits for the starter."""
    bench = FLEET["pump"].bench
    run = simulate(replace(bench, key=replace(bench.key, on_s=1.2)), 3.0, seed=4)
    step = round(1.0 / (RATE_HZ * float(run.time_s[1] - run.time_s[0])))
    current = run.current_a[::step] + np.random.default_rng(9).normal(size=len(run.current_a[::step]))
    current[round(0.7 * RATE_HZ) :] += 12.0
    function = trigger.classic_sta_lta(current, round(SHORT_S * RATE_HZ), round(LONG_S * RATE_HZ))
    assert trigger.trigger_onset(function, ON, OFF)[0][0] / RATE_HZ == pytest.approx(0.7, abs=0.02)
    ours = condition(Capture.from_arrays(current, rate_hz=RATE_HZ)).crank.start_s
    assert 1.2 - SLACK_S <= ours <= 1.2 + bench.starter.pull_in_s + SLACK_S
