"""The rig check: a good rig passes, each thing that is wrong is found, and only that."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardStalledError,
    EndOfStream,
    Finding,
    Samples,
    Source,
    SourceInfo,
    check_rig,
    observe,
)
from crankfold.acquire.rig.check import Observation
from crankfold.acquire.stream import FittedRate
from crankfold.analysis import Capture, Channel, CrankingTrace, Engine, Gap, condition, least_rate_hz
from crankfold.analysis.criticism import before_estimate

if TYPE_CHECKING:
    from collections.abc import Callable

RATE_HZ = 2000.0
RNG = np.random.default_rng(12)
CLAMP_V_PER_A = 0.01


class Bench(Source):
    """A finite board with a current and a sync channel: 12 bits over plus and minus 5 V."""

    def __init__(self, current_v: np.ndarray, sync_v: np.ndarray | None = None, *, rate_hz: float = RATE_HZ,
                 bits: int = 12, lost: dict[int, int | None] | None = None) -> None:
        super().__init__()
        full = 2 ** (bits - 1)
        sync_v = np.sin(np.arange(len(current_v)) * 0.7) if sync_v is None else sync_v
        volts = np.column_stack((current_v, sync_v))
        self.codes = np.clip(np.round(volts / 5.0 * full), -full, full - 1).astype(np.int16)
        self.channels = tuple(Channel(name, "V", 5.0 / full, 0.0, (-full, full - 1), "int16")
                              for name in ("current", "sync"))
        self.rate_hz, self.lost, self.at = rate_hz, lost or {}, 0

    @property
    def info(self) -> SourceInfo:
        return SourceInfo(self.rate_hz, self.channels, np.dtype(np.int16), "bench", finite=True, live=False)

    def _read(self, timeout_s: float) -> Samples:
        if self.at >= len(self.codes):
            raise EndOfStream
        piece = self.codes[self.at : self.at + 500]
        lost = self.lost.get(self.at, 0)
        self.at += len(piece)
        return Samples(piece, lost)


def quiet(noise_a: float = 1.0, seconds: float = 4.0) -> np.ndarray:
    return RNG.normal(0.0, noise_a * CLAMP_V_PER_A, round(seconds * RATE_HZ))


def checked(source: Source, volts_per_ampere: float = CLAMP_V_PER_A) -> dict[str, Finding]:
    observed = observe(source, 60.0)
    findings = check_rig(observed, observed.capture.rescaled("current", 1.0 / volts_per_ampere, "A"))
    return {f"{f.facts.get('channel', '')}:{f.code}": f for f in findings}


def wrong(findings: dict[str, Finding]) -> list[str]:
    return [key for key, finding in findings.items() if not finding.passed]


def test_a_good_rig_passes() -> None:
    found = checked(Bench(quiet()))
    assert wrong(found) == []
    assert found["current:noise"].facts["noise"] == pytest.approx(1.0, rel=0.1)


def hum(amplitude_a: float) -> np.ndarray:
    values = quiet()
    return values + amplitude_a * CLAMP_V_PER_A * np.sin(2 * np.pi * 50 * np.arange(len(values)) / RATE_HZ)


FAULTS: dict[str, tuple[Callable[[], Source], list[str]]] = {
    "noise": (lambda: Bench(quiet(8.0)), ["current:noise"]),
    "noise just below": (lambda: Bench(quiet(4.5)), []),
    "loss": (lambda: Bench(quiet(), lost={1000: 3}), [":lost"]),
    "unknown loss": (lambda: Bench(quiet(), lost={1000: None}), [":lost"]),
    "a dead channel": (lambda: Bench(np.zeros(8000)), ["current:silent-channel"]),
    "a dead sync channel": (lambda: Bench(quiet(), np.full(8000, 1.0)), ["sync:silent-channel"]),
    "mains": (lambda: Bench(hum(30.0)), [":mains"]),
    "sync beyond the range": (lambda: Bench(quiet(), 6.0 * np.sin(np.arange(8000) * 0.01)), ["sync:clipped"]),
    "sync beyond the upper end": (lambda: Bench(quiet(), 4.5 + np.sin(np.arange(8000) * 0.01)), ["sync:clipped"]),
    "sync beyond the lower end": (lambda: Bench(quiet(), np.sin(np.arange(8000) * 0.01) - 4.5), ["sync:clipped"]),
    "a wandering zero": (lambda: Bench(quiet() + np.linspace(0, 0.4, 8000)), [":drift"]),
    "too slow": (lambda: Bench(quiet(), rate_hz=79.0), [":rate-low"]),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_found_and_no_other(fault: str) -> None:
    source, expected = FAULTS[fault]
    got = wrong(checked(source()))
    if fault == "mains":  # strong hum is noise as well
        got = [key for key in got if key != "current:noise"]
    assert got == expected


@pytest.mark.parametrize("drift_v", [0.2, 0.5, 2.0, 8.0])
def test_a_wandering_zero_is_never_taken_for_a_generator(drift_v: float) -> None:
    found = checked(Bench(quiet(0.2) + np.linspace(-drift_v / 2, drift_v / 2, 8000)))
    assert not found[":drift"].passed
    assert "current:bits" not in found


def test_a_coarse_converter_and_too_little_room() -> None:
    assert ":resolution" in wrong(checked(Bench(quiet(2.0), bits=8), 0.001 * 5))
    assert wrong(checked(Bench(quiet(0.05)), 0.05)) == [":room"]


def test_a_zero_at_the_end_of_the_range_is_told_and_no_fault() -> None:
    found = checked(Bench(np.full(8000, -5.0) + np.abs(quiet(0.4))))
    assert found["current:one-way"].passed
    assert "current:clipped" not in found


def test_a_generator_on_the_current_gives_effective_bits() -> None:
    sine = 4.0 * np.sin(2 * np.pi * 33.3 * np.arange(8000) / RATE_HZ)
    found = checked(Bench(sine))
    assert found["current:bits"].passed
    assert found["current:bits"].facts["bits"] == pytest.approx(12.0, abs=0.2)
    assert wrong(checked(Bench(sine + RNG.normal(0, 0.05, 8000)))) == ["current:bits"]


class Clock:
    """The computer's, moved on by whoever sends samples."""

    now_s = 100.0


@pytest.fixture
def clock(monkeypatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(time, "monotonic", lambda: made.now_s)
    return made


class Live(Bench):
    """Sends 500 samples each quarter of a second, then nothing; it may say another rate, and be late at times."""

    def __init__(self, clock: Clock, blocks: int, *, rate_hz: float = RATE_HZ,
                 late_s: tuple[float, ...] = (0.0,)) -> None:
        super().__init__(quiet(seconds=blocks / 4.0), rate_hz=rate_hz)
        self.clock, self.late_s, self.begun_s = clock, late_s, clock.now_s

    @property
    def info(self) -> SourceInfo:
        return replace(super().info, live=True)

    def _read(self, timeout_s: float) -> Samples | None:
        if self.at >= len(self.codes):
            self.clock.now_s += timeout_s
            return None
        number = self.at // 500
        self.clock.now_s = self.begun_s + 0.25 * (number + 1) + self.late_s[number % len(self.late_s)]
        return super()._read(timeout_s)


@pytest.mark.parametrize(("blocks", "patience_s"), [(3, 1.0), (0, 6.0)])
def test_a_board_that_falls_silent_is_noticed(clock, blocks, patience_s) -> None:
    """One that has not begun yet may be restarting, which takes up to five seconds."""
    with pytest.raises(BoardStalledError, match=f"bench has sent nothing for {patience_s:g} s; check its cable"):
        observe(Live(clock, blocks), 60.0)
    assert clock.now_s - 100.0 - 0.25 * blocks == pytest.approx(patience_s, abs=0.15)


def test_a_board_that_gives_nothing_is_an_error() -> None:
    with pytest.raises(AcquireError, match="no samples"):
        observe(Bench(np.zeros(0)), 1.0)


def test_the_source_is_closed_whatever_happens() -> None:
    source = Bench(quiet())
    observe(source, 1.0)
    with pytest.raises(RuntimeError, match="closed"):
        source.start()


def test_a_live_board_that_lies_about_its_rate_is_found_out(clock) -> None:
    """It says 1900 samples a second and sends 2000: found from when they arrive."""
    observed = observe(Live(clock, 60, rate_hz=1900.0, late_s=(0.0, 0.0, 0.0, 0.04)), 12.0)
    assert observed.fitted is not None
    assert observed.capture.rate_hz == observed.fitted.rate_hz == pytest.approx(2000.0, rel=0.002)
    assert observed.nominal_hz == 1900.0
    assert observed.jitter_s == pytest.approx(0.04, abs=0.002)
    found = {f.code: f for f in check_rig(observed, observed.capture)}
    assert not found["rate"].passed
    assert found["jitter"].passed
    assert observe(Live(clock, 40), 10.0).jitter_s == pytest.approx(0.0, abs=1e-6)


def test_progress_is_the_share_of_what_was_asked_for() -> None:
    done: list[float] = []
    observe(Bench(quiet()), 1.4, done.append)
    assert done == pytest.approx([500 / 2800, 1000 / 2800, 1500 / 2800, 2000 / 2800, 2500 / 2800, 1.0])


@pytest.mark.parametrize(("rate_hz", "uncertainty", "passed"), [
    (1981.0, 0.001, True), (1979.0, 0.001, False), (2019.0, 0.001, True), (2021.0, 0.001, False),
    (2030.0, 0.008, True), (2030.0, 0.007, False)])
def test_one_percent_of_rate_is_allowed_and_what_is_uncertain_besides(rate_hz, uncertainty, passed) -> None:
    capture = Capture(quiet()[:, None], rate_hz, (Channel("current", "A", CLAMP_V_PER_A),))
    observed = Observation(capture, 2000.0, FittedRate(rate_hz, 2000.0, uncertainty, 30.0), 0.004, 0, 0)
    found = {f.code: f for f in check_rig(observed, capture)}
    assert found["rate"].passed is passed
    assert found["rate"].facts["deviation_percent"] == pytest.approx(100.0 * (rate_hz / 2000.0 - 1.0))
    assert found["rate"].facts["uncertainty_percent"] == pytest.approx(100.0 * uncertainty)
    assert found["jitter"].facts == {"jitter_ms": pytest.approx(4.0)}


def test_a_channel_whose_converter_nobody_knows_is_not_called_cut_off() -> None:
    """There is neither a range to be beyond nor a step to be too coarse; noise and drift are looked at all the same."""
    capture = Capture(quiet()[:, None] / CLAMP_V_PER_A, RATE_HZ, (Channel("current", "A"),))
    found = check_rig(Observation(capture, RATE_HZ, None, 0.0, 0, 0), capture)
    assert [f.code for f in found] == ["lost", "noise", "mains", "leak", "drift"]
    assert all(f.passed for f in found)


def test_without_amperes_nothing_is_too_noisy_or_too_small() -> None:
    """Volts of an unknown probe: only their drift against their own noise can be judged."""
    volts = (quiet(40.0) + 0.2 * np.sin(2 * np.pi * 50 * np.arange(8000) / RATE_HZ))[:, None]
    capture = Capture(volts, RATE_HZ, (Channel("current", "V", 5.0 / 2048, code_range=(-2048, 2047)),))
    found = {f.code: f.passed for f in check_rig(Observation(capture, RATE_HZ, None, 0.0, 0, 0), capture)}
    assert found == {"lost": True, "clipped": True, "noise": True, "mains": True, "drift": True}


def test_hum_at_60_hertz_is_told_from_50_and_not_looked_for_where_it_cannot_be_seen() -> None:
    def found(rate_hz: float, hum_hz: float) -> Finding | None:
        time_s = np.arange(round(4 * rate_hz)) / rate_hz
        values = RNG.normal(0, 1.0, len(time_s)) + 25.0 * np.sin(2 * np.pi * hum_hz * time_s)
        capture = Capture(values[:, None], rate_hz, (Channel("current", "A"),))
        all_found = check_rig(Observation(capture, rate_hz, None, 0.0, 0, 0), capture)
        return next((f for f in all_found if f.code == "mains"), None)

    assert (at_60 := found(1000.0, 60.0)) is not None
    assert (at_60.passed, at_60.facts["frequency_hz"]) == (False, 60.0)
    assert at_60.facts["amplitude"] == pytest.approx(25.0, rel=0.05)
    assert (at_50 := found(130.0, 50.0)) is not None
    assert (at_50.passed, at_50.facts["frequency_hz"]) == (False, 50.0)
    assert found(120.0, 50.0) is None


def test_what_was_lost_is_a_gap_of_the_stretch_and_is_not_looked_at() -> None:
    observed = observe(Bench(quiet(), lost={1000: 3, 2000: None}), 60.0)
    assert observed.capture.gaps == (Gap(1000, 3),)
    assert (observed.lost, observed.unknown_losses) == (3, 1)
    (lost,) = [f for f in check_rig(observed, observed.capture) if f.code == "lost"]
    assert lost.facts == {"lost": 3, "total": 8003, "unknown": 1}


def test_only_as_much_is_taken_as_was_asked_for() -> None:
    assert len(observe(Bench(quiet()), 0.9).capture.samples) == 2000  # 1800, by blocks of 500
    assert len(observe(Bench(quiet()), 0.7).capture.samples) == 1500


def test_how_much_of_the_range_is_used_and_how_much_is_cut_off() -> None:
    sync_v = np.repeat([-5.0, 0.0, 0.0, 0.0], 2000)
    facts = checked(Bench(quiet(), sync_v))["sync:clipped"].facts
    assert facts["percent_of_time"] == 25.0
    assert facts["used_percent"] == pytest.approx(50.0, abs=0.1)


def in_amperes(values: np.ndarray, *, step_a: float = 0.5, codes: int = 2048) -> dict[str, Finding]:
    """What is found in a current whose converter has so many steps to either side of zero."""
    capture = Capture(values[:, None], RATE_HZ, (Channel("current", "A", step_a, code_range=(-codes, codes)),))
    return {f.code: f for f in check_rig(Observation(capture, RATE_HZ, None, 0.0, 0, 0), capture)}


STEPS = np.tile([0.0, 0.1, -0.1, 0.0], 2000)


def test_the_limits_of_a_good_rig() -> None:
    time_s = np.arange(8000) / RATE_HZ
    for code, within, beyond in [
            ("resolution", in_amperes(STEPS, step_a=3.9), in_amperes(STEPS, step_a=4.1)),
            ("room", in_amperes(STEPS, codes=601), in_amperes(STEPS, codes=599)),
            ("room", in_amperes(STEPS - 90.0, codes=220, step_a=1.0), in_amperes(STEPS + 90.0, codes=200, step_a=1.0)),
            ("mains", *(in_amperes(STEPS + a * np.sin(2 * np.pi * 50 * time_s)) for a in (19.5, 20.5))),
            ("drift", *(in_amperes(STEPS + np.linspace(0, a, 8000)) for a in (4.9 / 0.75, 5.1 / 0.75))),
            ("drift", *(in_amperes(STEPS * 20.0 - np.linspace(0, a, 8000)) for a in (15.0 / 0.75, 17.0 / 0.75))),
            ("drift", *(in_amperes(STEPS * 60.0 + np.linspace(0, a, 8000)) for a in (19.0 / 0.75, 22.0 / 0.75))),
            ("noise", in_amperes(STEPS * 69.0), in_amperes(STEPS * 72.0))]:
        assert within[code].passed, (code, within[code])
        assert not beyond[code].passed, (code, beyond[code])


def test_a_noisy_cable_hides_no_zero_that_moved() -> None:
    """153 A in four seconds, with noise of 16 A: ten times the noise was once the only limit."""
    found = checked(Bench(quiet(16.0) + np.linspace(0, 153.0 / 0.75 * CLAMP_V_PER_A, 8000)))[":drift"]
    assert not found.passed
    assert found.facts["drift"] == pytest.approx(153.0, rel=0.05)


def test_the_smallest_leak_is_told_and_too_large_a_one_is_a_fault() -> None:
    fine = checked(Bench(quiet(2.0)))[":leak"]
    assert fine.passed and 1.7 < fine.facts["leak_percent"] < 2.5
    noisy = checked(Bench(quiet(35.0)))[":leak"]
    assert not noisy.passed and noisy.facts["leak_percent"] > 12.5
    hummed = checked(Bench(quiet(2.0) + 0.2 * np.sin(2 * np.pi * 50 * np.arange(8000) / RATE_HZ)))[":leak"]
    assert hummed.facts["leak_percent"] == pytest.approx(fine.facts["leak_percent"], rel=0.02)


def test_the_least_rate_is_the_one_of_the_analysis() -> None:
    def found(rate_hz: float, *order: int) -> dict[str, Finding]:
        capture = Capture(np.zeros((800, 1)) + RNG.normal(0, 1.0, (800, 1)), rate_hz, (Channel("current", "A"),))
        observation = Observation(capture, rate_hz, None, 0.0, 0, 0)
        return {f.code: f for f in check_rig(observation, capture, Engine(order))}

    for order in ((1, 3, 4, 2), (1, 5, 3, 6, 2, 4)):
        needed_hz = least_rate_hz(Engine(order))
        assert found(needed_hz - 1.0, *order)["rate-low"].facts == {
            "rate_hz": needed_hz - 1.0, "needed_hz": needed_hz, "cylinders": len(order)}
        assert found(needed_hz, *order)["rate-for"].facts == {"cylinders": len(order)}
        refused = before_estimate(trace_of(needed_hz - 1.0), Engine(order))
        assert (refused[0].code, refused[0].facts["needed_hz"]) == ("rate-too-low", needed_hz)
    assert "rate-for" not in found(240.0, 1, 3, 4, 2)


def trace_of(rate_hz: float) -> CrankingTrace:
    since = np.arange(round(8 * rate_hz)) / rate_hz - 1.0
    humps = 150.0 + 50.0 * np.cos(2 * np.pi * 6.0 * since) + 300.0 * np.exp(-np.maximum(since, 0.0) / 0.1)
    current = np.where((since >= 0.0) & (since < 5.0), humps, 0.0) + RNG.normal(0, 0.5, len(since))
    return condition(Capture.from_arrays(current, rate_hz=rate_hz))


def test_a_guess_is_never_fit() -> None:
    capture = Capture(RNG.normal(0, 1.0, (8000, 1)), RATE_HZ, (Channel("current", "A"),))
    found = check_rig(Observation(capture, RATE_HZ, None, 0.0, 0, 0, guessed_of=6), capture)
    (guess,) = [f for f in found if f.code == "columns"]
    assert (guess.passed, guess.facts) == (False, {"count": 6})


def test_the_smallest_leak_is_that_of_the_engine_asked_for() -> None:
    observed = observe(Bench(quiet(4.0)), 4.0)
    amperes = observed.capture.rescaled("current", 1.0 / CLAMP_V_PER_A, "A")
    four, eight = (next(f for f in check_rig(observed, amperes, engine) if f.code == "leak").facts for engine in (
        Engine((1, 3, 4, 2)), Engine((1, 8, 4, 3, 6, 5, 7, 2))))
    assert (four["cylinders"], eight["cylinders"]) == (4, 8)
    assert four["leak_percent"] < eight["leak_percent"]


def test_a_battery_at_rest_is_no_fault() -> None:
    samples = np.column_stack([RNG.normal(0, 1.0, 8000), np.full(8000, 12.6)])
    capture = Capture(samples, RATE_HZ, (Channel("current", "A"), Channel("battery", "V")))
    found = [f for f in check_rig(Observation(capture, RATE_HZ, None, 0.0, 0, 0), capture)
             if f.facts.get("channel") == "battery"]
    assert [(f.code, f.passed) for f in found] == [("steady-channel", True)]
