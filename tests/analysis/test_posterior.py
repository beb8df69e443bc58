"""The posterior: the network against torch's, what turns with the firing order, and what its numbers must always be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from crankfold.analysis import Engine, condition
from crankfold.analysis.posterior import below, estimate, estimates, find_rates, quantiles
from crankfold.analysis.posterior import network as net

FOUR = Engine((1, 3, 4, 2))
TOLERANCE = 1e-4  # torch adds in another order


@pytest.fixture(scope="module")
def reference():
    """Inputs of four simulated engines and what the same weights make of them in torch (`analysis/training`)."""
    with np.load(Path(__file__).parent / "posterior_reference.npz") as kept:
        return {k: kept[k] for k in kept.files}


def test_the_trunk_and_the_overview_are_torch_s(reference):
    features = net.trunk(reference["fold"], reference["numbers"])
    assert np.abs(features[:, ::16] - reference["trunk"]).max() < TOLERANCE * np.abs(reference["trunk"]).max()
    assert np.abs(net.whole(reference["overview"], reference["numbers"]) - reference["whole"]).max() < TOLERANCE


def test_every_head_is_torch_s(reference):
    features = net.trunk(reference["fold"], reference["numbers"])
    for k, n in enumerate(reference["n"]):
        fire = reference["fire"][k, :n].astype(float)
        each, least, both = net._cylinders(features[k], float(reference["phase"][k]), fire)
        assert np.abs(each - reference["each"][k, :n]).max() < TOLERANCE
        assert np.abs(least - reference["least"][k]).max() < TOLERANCE
        assert np.abs(both - reference["both"][k]).max() < TOLERANCE * max(1.0, np.abs(reference["both"][k]).max())
    said = heads_of(reference)
    assert [h.right for h in said] == pytest.approx(reference["right"].tolist(), abs=TOLERANCE)


def heads_of(reference, shift=0):
    fires = [np.roll(f[:n], -shift) - (f[shift % n] if shift else 0.0) for f, n in
             zip(reference["fire"].astype(float), reference["n"], strict=True)]
    return net.heads(reference["fold"], reference["numbers"], reference["overview"], fires, [1] * len(fires))


def test_probabilities_sum_to_one_and_lie_between(reference):
    for said in heads_of(reference):
        for p in (said.right, said.fires, said.compresses):
            assert 0.0 <= p <= 1.0
        for placed in said.placements:
            assert placed.each.sum(axis=1) == pytest.approx(1.0)
            assert placed.least.sum() == pytest.approx(1.0)
            assert (placed.each >= 0).all()
            assert 0.0 < placed.share <= 1.0
        assert sum(p.share for p in said.placements) <= 1.0 + 1e-9


def test_turning_the_fold_turns_nothing_but_the_place(reference):
    """The same cycle cut open a quarter later: every cylinder keeps its distribution."""
    features = net.trunk(reference["fold"], reference["numbers"])
    moved = net.trunk(np.roll(reference["fold"], 64, axis=1), reference["numbers"])
    assert np.abs(np.roll(features, 32, axis=1) - moved).max() < 1e-3 * np.abs(features).max()
    for k, n in enumerate(reference["n"]):
        fire, at = reference["fire"][k, :n].astype(float), float(reference["phase"][k])
        here, there = net._cylinders(features[k], at, fire)[0], net._cylinders(moved[k], at + 0.25, fire)[0]
        assert np.abs(here - there).max() < 1e-3


def test_turning_the_firing_order_turns_the_answer(reference):
    features = net.trunk(reference["fold"], reference["numbers"])
    fire, at = reference["fire"][1, :4].astype(float), float(reference["phase"][1])
    turned = np.roll(fire, -1) - fire[1]
    turned[-1] += 1.0
    here, there = net._cylinders(features[1], at, fire)[0], net._cylinders(features[1], at + fire[1], turned)[0]
    assert np.abs(np.roll(here, -1, axis=0) - there).max() < TOLERANCE


def test_below_and_quantiles_by_hand():
    """Half at 74 and half at 76: 75 parts them; the strongest's range ends at 100 itself."""
    shares = np.zeros((2, 101))
    shares[0, [74, 76]] = 0.5
    shares[1, [98, 100]] = 0.1, 0.9
    assert below(shares, 75.0).tolist() == [0.5, 0.0]
    assert below(shares, 74.0)[0] == pytest.approx(0.25)  # 74 stands for 73.5 to 74.5
    low, middle, high = quantiles(shares, np.array([0.025, 0.5, 0.975])).T
    assert (low[0], high[0]) == (pytest.approx(73.55), pytest.approx(76.45))
    assert (middle[1], high[1]) == (100.0, 100.0)
    assert low[1] == pytest.approx(97.75)


def test_a_sound_four_and_one_with_a_dead_cylinder(cranking_of):
    from crankfold.analysis.signal import condition

    capture, _ = cranking_of()
    sound = estimate(condition(capture), FOUR)
    assert sound is not None
    assert sound.relative_percent.min() > 85.0
    assert below(sound.lowest, 75.0) < 0.05
    assert sound.rpm == pytest.approx(6.0 * np.polyfit(sound.time_s, sound.angle_deg, 1)[0] / 36.0, rel=0.02)
    capture, _ = cranking_of(dead=4, leak_mm2=60.0)
    faulty = estimate(condition(capture), FOUR)
    assert faulty is not None
    assert sorted(faulty.relative_percent < 30.0) == [False, False, False, True]


def test_many_at_once_say_what_each_says_alone(cranking_of):
    from crankfold.analysis.signal import condition

    traces = [condition(cranking_of()[0]), condition(cranking_of(dead=4, leak_mm2=60.0)[0])]
    for one, trace in zip(estimates(traces, [FOUR, FOUR]), traces, strict=True):
        alone = estimate(trace, FOUR)
        assert one is not None
        assert alone is not None
        assert one.relative_percent == pytest.approx(alone.relative_percent, abs=0.01)
        assert one.right == pytest.approx(alone.right, abs=1e-4)


def test_an_engine_of_more_cylinders_than_the_network_knows_has_no_estimate(trace_of):
    assert estimate(trace_of(), Engine((1,))) is None


def test_rates_come_best_first_and_the_best_is_the_engine_s(cranking_of):
    capture, truth = cranking_of()
    found = find_rates(condition(capture), Engine((1, 3, 4, 2)))
    assert found[0].rate_hz * 120 == pytest.approx(truth.rpm, rel=0.05)
    assert found[0].score >= found[-1].score


def test_a_slow_engine_is_looked_at_for_longer(trace_of):
    """At 60 rpm four seconds hold two cycles only."""
    trace = trace_of(seconds=11.0, hump_hz=2.0)
    assert find_rates(trace, Engine((1, 3, 4, 2)))[0].rate_hz == pytest.approx(0.5, rel=0.02)
