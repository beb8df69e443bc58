"""What a contract can say beyond samples: the board's own clock, records of its own trigger, typed settings."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.acquire import CURRENT, Capabilities, Channel, Samples, Setting, SettingError, Source, SourceInfo, record
from crankfold.acquire.device_clock import DeviceClock

RATE = 1000.0


class Scripted(Source):
    """Gives the samples it was made with, one piece a read, and then ends."""

    def __init__(self, pieces: list[Samples], **info) -> None:
        super().__init__()
        self._pieces = list(pieces)
        self._said = SourceInfo(RATE, (Channel(CURRENT, "A"),), np.dtype(np.float64), "scripted", finite=True,
                                live=False, **info)

    @property
    def info(self) -> SourceInfo:
        return self._said

    def _read(self, timeout_s: float) -> Samples | None:
        from crankfold.acquire import EndOfStream

        if not self._pieces:
            raise EndOfStream
        return self._pieces.pop(0)


def column(count: int) -> np.ndarray:
    return np.zeros((count, 1))


def blocks_of(source: Source) -> list:
    source.start()
    found = []
    while not source.finished:
        block = source.read(0.1)
        if block is not None:
            found.append(block)
    return found


def stamped(true_hz: float, losses: dict[int, tuple[int, int | None]], pieces: int = 30) -> list[Samples]:
    """Pieces of 100 samples with stamps of a clock that runs true; losses: piece -> how many, and what is told."""
    out, taken = [], 0
    for at in range(pieces):
        lost, told = losses.get(at, (0, 0))
        taken += lost
        out.append(Samples(column(100), told, device_s=5.0 + taken / true_hz))
        taken += 100
    return out


def test_the_rate_is_that_of_the_boards_own_clock() -> None:
    source = Scripted(stamped(1003.7, {4: (30, 30)}))
    blocks = blocks_of(source)
    assert source.measured_rate_hz == pytest.approx(1003.7, rel=1e-9)
    assert [block.device_s for block in blocks[:2]] == [5.0, pytest.approx(5.0 + 100 / 1003.7)]


def test_a_loss_that_nobody_counted_is_counted_by_the_clock() -> None:
    blocks = blocks_of(Scripted(stamped(1003.7, {20: (57, None)})))
    assert [block.lost_before for block in blocks if block.lost_before != 0] == [57]
    assert blocks[-1].next_index == 3057


@pytest.mark.parametrize(("losses", "why"), [
    ({3: (57, None)}, "the rate is not known yet"), ({20: (9000, None)}, "the hole is too long"),
])
def test_what_the_clock_cannot_tell_stays_unknown(losses: dict, why: str) -> None:
    told = [block.lost_before for block in blocks_of(Scripted(stamped(1003.7, losses))) if block.lost_before != 0]
    assert told == [None], why


def test_a_clock_that_begins_anew_tells_a_new_rate() -> None:
    clock = DeviceClock(RATE)
    for at in range(20):
        clock.note(100 * at, 100 * at + 100, 3.0 + 0.1 * at, broken=False)
    assert clock.rate_hz == pytest.approx(1000.0)
    clock.note(2000, 2100, 0.0, broken=False)
    for at in range(1, 20):
        clock.note(2000 + 100 * at, 2100 + 100 * at, 0.2 * at, broken=False)
    assert clock.rate_hz == pytest.approx(500.0)
    assert clock.missing(0.2 * 19 + 0.3) == 50


def crank(quiet_s: float, on_s: float) -> np.ndarray:
    since = np.arange(round((quiet_s + on_s + 0.5) * RATE)) / RATE - quiet_s
    humps = 150.0 + 50.0 * np.cos(2 * np.pi * 6.5 * since) + 300.0 * np.exp(-np.maximum(since, 0.0) / 0.08)
    return np.where((since >= 0) & (since < on_s), humps, 0.0) + np.random.default_rng(1).normal(0, 0.5, len(since))


def test_each_record_of_the_hardwares_trigger_is_a_capture_of_its_own() -> None:
    shapes = [crank(0.5, 2.0), crank(0.5, 1.5), crank(0.5, 2.5)]
    pieces = []
    for shape in shapes:
        codes = shape[:, None]
        pieces += [Samples(codes[:700], None, trigger_at=480), Samples(codes[700:], 0, ends_record=True)]
    events = []
    captures = list(record(Scripted(pieces, records=True), on_event=events.append))
    assert [len(capture.samples) for capture in captures] == [len(shape) for shape in shapes]
    for capture, shape in zip(captures, shapes, strict=True):
        np.testing.assert_array_equal(capture.samples[:, 0], shape)
        assert capture.trigger_index == pytest.approx(500, abs=25)
        assert capture.gaps == ()
    assert "lost" not in [event.what.value for event in events]


def test_a_record_without_a_crank_has_the_hardwares_own_trigger() -> None:
    flat = np.random.default_rng(2).normal(0, 0.5, (900, 1))
    pieces = [Samples(flat, None, ends_record=True, trigger_at=450)] * 2
    captures = list(record(Scripted(pieces, records=True)))
    assert [capture.trigger_index for capture in captures] == [450, 450]


RATE_SETTING = Setting("rate", "samples a second", "500", kind="number", lowest=1, highest=1000)


@pytest.mark.parametrize(("setting", "text", "value"), [
    (RATE_SETTING, " 250.5 ", 250.5), (Setting("bits", "of", "10", kind="whole", lowest=1), "12", 12),
    (Setting("range", "of", "low", kind="choice", choices=("low", "high")), "high", "high"),
    (Setting("filter", "of", "yes", kind="yes-no"), "No", False),
    (Setting("name", "of", "x"), "any thing", "any thing")])
def test_typed_settings_have_values(setting: Setting, text: str, value) -> None:
    assert setting.value(text) == value
    assert type(setting.value(text)) is type(value)


@pytest.mark.parametrize(("setting", "text", "said"), [
    (RATE_SETTING, "0", "give a number from 1 to 1000"), (RATE_SETTING, "fast", "give a number from 1 to 1000"),
    (RATE_SETTING, "nan", "give a number"), (RATE_SETTING, "inf", "give a number"),
    (Setting("bits", "of", "10", kind="whole", lowest=1), "1.5", "give a whole number from 1"),
    (Setting("range", "of", "low", kind="choice", choices=("low", "high")), "middle", "give one of low, high"),
    (Setting("filter", "of", "yes", kind="yes-no"), "perhaps", "give yes or no")])
def test_values_that_cannot_be_are_refused_by_name(setting: Setting, text: str, said: str) -> None:
    with pytest.raises(SettingError, match=f"{setting.name}={text} cannot be used; {said}"):
        setting.check(text)


def test_a_board_that_was_found_says_what_it_can_do() -> None:
    assert Capabilities() == Capabilities(inputs=0, highest_rate_hz=0.0, bits=0)
