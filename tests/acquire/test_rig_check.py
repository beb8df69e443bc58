"""The rig check: a good rig passes, each thing that is wrong is found, and only that."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.acquire.errors import AcquireError, BoardStalledError
from crankfold.acquire.rig_check import Finding, check_rig, observe
from crankfold.acquire.source import EndOfStream, Samples, Source, SourceInfo
from crankfold.analysis.capture import Channel

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
    "a wandering zero": (lambda: Bench(quiet() + np.linspace(0, 0.4, 8000)), [":drift"]),
    "too slow": (lambda: Bench(quiet(), rate_hz=100.0), [":rate-low"]),
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


class Silent(Bench):
    """Sends a little, then nothing."""

    def __init__(self, blocks: int) -> None:
        super().__init__(quiet())
        self.blocks = blocks

    def _read(self, timeout_s: float) -> Samples | None:
        self.blocks -= 1
        if self.blocks < 0:
            time.sleep(timeout_s)
            return None
        return super()._read(timeout_s)


def test_a_board_that_falls_silent_is_noticed() -> None:
    began = time.monotonic()
    with pytest.raises(BoardStalledError, match="sent nothing"):
        observe(Silent(3), 60.0)
    assert time.monotonic() - began < 2.0


def test_a_board_that_gives_nothing_is_an_error() -> None:
    with pytest.raises(AcquireError, match="no samples"):
        observe(Bench(np.zeros(0)), 1.0)


def test_the_source_is_closed_whatever_happens() -> None:
    source = Bench(quiet())
    observe(source, 1.0)
    with pytest.raises(RuntimeError, match="closed"):
        source.start()
