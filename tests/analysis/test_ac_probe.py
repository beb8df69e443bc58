"""A probe that passes no steady current is recognised; drift, sag and loads that change beside the crank are not it.

The virtual engine's current goes through a high-pass of first or second order, as a transformer's or an AC-coupled
input's, with corners from 0.05 to 5 Hz: time constants of 3 s down to 30 ms.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from crankfold.acquire import load_plugins, open_board, record
from crankfold.analysis import Capture, Engine, analyse, condition
from crankfold.analysis.signal import ac_probe

PUMP = Engine((1, 3, 4, 2))
CORNERS_HZ = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
RIGS = {"healthy": {}, "dead": {"dead": "3"}, "low": {"low": "3:50"}, "reversed": {"polarity": "-1", "dead": "4"},
        "brief": {"crank": "2.2"}, "volts": {"unit": "V", "dead": "3+4"}, "noisy": {"noise": "8"}}


def cranked(**settings: str) -> Capture:
    whole = {"engine": "pump", "pace": "flat", "quiet": "1", "crank": "4", "after": "2", "rate": "2000"} | settings
    (capture,) = record(open_board("virtual", whole, load_plugins()))
    return capture


@pytest.fixture(scope="module")
def captures() -> dict[str, Capture]:
    return {name: cranked(**settings) for name, settings in RIGS.items()}


def with_current(capture: Capture, current: np.ndarray) -> Capture:
    samples = capture.samples.copy()
    samples[:, 0] = current
    return replace(capture, samples=samples)


def high_passed(capture: Capture, corner_hz: float, order: int = 1) -> Capture:
    """Return the capture as a probe with that corner would give it."""
    pole = np.exp(-2.0 * np.pi * corner_hz / capture.rate_hz)
    x = capture.samples[:, 0] - capture.samples[0, 0]
    for _ in range(order):
        x = lfilter([(1.0 + pole) / 2.0, -(1.0 + pole) / 2.0], [1.0, -pole], x)
    return with_current(capture, x)


def cut(capture: Capture, after_s: float) -> Capture:
    """Return the capture with so much of the quiet after the crank, as a board's trigger would cut it."""
    stop = round((5.0 + after_s) * capture.rate_hz)
    return replace(capture, samples=capture.samples[:stop])


@pytest.mark.parametrize(("order", "after_s"), [(1, 0.3), (1, 2.0), (2, 1.0)])
@pytest.mark.parametrize("corner_hz", CORNERS_HZ)
def test_it_is_recognised(captures: dict[str, Capture], corner_hz: float, order: int, after_s: float) -> None:
    for name, capture in captures.items():
        seen = high_passed(capture if name == "brief" else cut(capture, after_s), corner_hz, order)
        assert ac_probe(condition(seen)) is not None, name


@pytest.mark.parametrize("corner_hz", [0.1, 0.5])
def test_its_corner_is_read(captures: dict[str, Capture], corner_hz: float) -> None:
    found = ac_probe(condition(high_passed(captures["dead"], corner_hz)))
    assert found is not None
    assert found.facts["corner_hz"] == pytest.approx(corner_hz, rel=0.25)


@pytest.mark.parametrize("corner_hz", [0.05, 0.5, 5.0])
def test_the_answer_is_a_refusal_that_says_so(captures: dict[str, Capture], corner_hz: float) -> None:
    result = analyse(high_passed(captures["dead"], corner_hz), PUMP)
    assert (result.verdict, result.reasons[0].code, result.cylinders) == ("none", "ac-probe", ())


@pytest.mark.parametrize("corner_hz", [0.2, 0.5])
def test_it_is_recognised_by_a_moment_after_the_crank(captures: dict[str, Capture], corner_hz: float) -> None:
    assert ac_probe(condition(cut(high_passed(captures["healthy"], corner_hz), 0.1))) is not None


@pytest.mark.parametrize("corner_hz", [0.2, 5.0])
def test_without_the_quiet_before_the_crank_nobody_can_tell(captures: dict[str, Capture], corner_hz: float) -> None:
    trace = condition(high_passed(captures["healthy"], corner_hz))
    late = trace.time_s > 2.0
    assert ac_probe(replace(trace, time_s=trace.time_s[late], smooth=trace.smooth[late])) is None


@pytest.mark.parametrize(("share", "found"), [(0.04, False), (0.3, True)])
def test_a_crank_that_springs_back_for_moments_is_direct_current(trace_of, share: float, found: bool) -> None:
    """Between tall, narrow humps of 200 A the current of a small engine is hardly there, or lies at -40 A."""
    trace = trace_of(mean=150.0)
    turn = 6.0 * trace.time_s % 1.0
    humps = np.where(turn < 0.1, 200.0, np.where(turn > 1.0 - share, -40.0, 5.0))
    smooth = np.where((trace.time_s > 0.5) & (trace.time_s < 5.0), humps, 0.0)
    assert (ac_probe(replace(trace, smooth=smooth)) is not None) is found


def test_a_trace_that_is_mostly_lost_or_quite_flat_tells_nothing(trace_of) -> None:
    trace = trace_of()
    lost = np.where(trace.time_s > 1.0, np.nan, trace.smooth)
    assert ac_probe(replace(trace, smooth=lost)) is None
    assert ac_probe(replace(trace, smooth=np.zeros_like(trace.smooth))) is None


def drift(t: np.ndarray) -> np.ndarray:
    """A Hall clamp that warms up and stays magnetised."""
    return 6.0 * t - 12.0 * (t > 5.0)


def glow(t: np.ndarray) -> np.ndarray:
    """Glow plugs that go off with the key."""
    return -80.0 * (t > 5.0)


def charging(t: np.ndarray) -> np.ndarray:
    """An alternator that feeds the battery after the crank, less and less."""
    return -(60.0 + 40.0 * np.exp(-(t - 5.0) / 3.0)) * (t > 5.0)


@pytest.mark.parametrize("beside", [drift, glow, charging])
@pytest.mark.parametrize("after_s", [0.3, 2.0])
def test_what_happens_beside_the_crank_is_not_taken_for_it(captures: dict[str, Capture], beside, after_s) -> None:
    for name in ("healthy", "dead", "low"):
        capture = captures[name]
        t = np.arange(len(capture.samples)) / capture.rate_hz
        seen = cut(with_current(capture, capture.samples[:, 0] + beside(t)), after_s)
        assert ac_probe(condition(seen)) is None, name


@pytest.mark.parametrize("settings", [{}, {"battery": "weak"}, {"battery": "weak", "dead": "2"}, {"starter": "series"},
                                      {"crank": "1.4"}, {"crank": "9"}, {"fires": "4"}, {"decompressor": "3"},
                                      {"noise": "15"}, {"measure": "battery-voltage"}, {"engine": "eight"},
                                      {"quiet": "0.3", "after": "0.3"},
                                      {"firing-order": "1-2", "intervals": "270-450", "starter": "series",
                                       "battery": "weak"}])
def test_a_probe_for_direct_current_is_not_taken_for_it(settings: dict[str, str]) -> None:
    assert ac_probe(condition(cranked(**settings))) is None
