"""Two known currents to a probe's scale, and when they say nothing."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.acquire import Level, calibrated, known_currents, level_of
from crankfold.analysis import CURRENT, Capture, Channel, InputError

RATE_HZ = 500.0


def read(values: np.ndarray, unit: str = "V", scale: float = 5.0 / 1024) -> Capture:
    channel = Channel(CURRENT, unit, scale, 0.0, None, "int16")
    return Capture(values.reshape(-1, 1).astype(np.float64), RATE_HZ, (channel,))


def steady(value: float, noise: float = 0.003) -> np.ndarray:
    return value + noise * np.random.default_rng(1).standard_normal(1000)


def test_two_levels_give_the_scale_and_the_zero() -> None:
    probe = calibrated(level_of(read(steady(0.512)), 0.0), level_of(read(steady(2.498)), 200.0))
    assert probe.per_ampere == pytest.approx(1.986 / 200, rel=1e-3)
    assert probe.zero == pytest.approx(0.512, abs=1e-3)
    back = probe.apply(read(np.full(10, 1.505)))
    assert back.channels[0].unit == "A"
    assert back.samples[0, 0] == pytest.approx(100.0, abs=0.2)


def test_bare_numbers_are_calibrated_in_counts() -> None:
    first, second = (level_of(read(steady(v, 0.6), unit="", scale=1.0), a) for v, a in ((102, -5.0), (508, 195.0)))
    probe = calibrated(first, second)
    assert probe.in_counts
    assert probe.per_ampere == pytest.approx(2.03, abs=0.01)


def test_millivolts_become_volts() -> None:
    low, high = (read(steady(millivolts, 1.0), unit="mV", scale=4.9) for millivolts in (500.0, 2500.0))
    first, second = level_of(low, 0.0), level_of(high, 200.0)
    assert calibrated(first, second).per_ampere == pytest.approx(0.01, rel=1e-3)


def test_a_reversed_clamp_gives_a_negative_scale() -> None:
    probe = calibrated(level_of(read(steady(2.5)), 0.0), level_of(read(steady(0.5)), 200.0))
    assert probe.per_ampere == pytest.approx(-0.01, rel=1e-2)
    assert probe.apply(read(np.full(10, 0.5))).samples[0, 0] == pytest.approx(200.0, abs=0.5)


@pytest.mark.parametrize("high", [steady(0.5123), steady(0.53), steady(0.512, noise=0.5)])
def test_a_reading_that_hardly_changes_gives_no_scale(high: np.ndarray) -> None:
    """So does a clamp for AC whose reading has faded before it is read."""
    with pytest.raises(InputError, match=r"hardly changes from 0 A to 200 A .* clamp for direct current"):
        calibrated(level_of(read(steady(0.512)), 0.0), level_of(read(high), 200.0))


@pytest.mark.parametrize("time_constant_s", [0.5, 3.0])
def test_a_reading_that_fades_is_a_clamp_for_ac(time_constant_s: float) -> None:
    fading = steady(0.512) + 2.0 * np.exp(-np.arange(1000) / RATE_HZ / time_constant_s)
    with pytest.raises(InputError, match=r"isn't steady at 200 A, .* this is a clamp for AC only"):
        calibrated(level_of(read(steady(0.512)), 0.0), level_of(read(fading), 200.0))


def test_what_gives_amperes_needs_none() -> None:
    with pytest.raises(InputError, match="gives amperes already"):
        level_of(read(steady(1.0), unit="A"), 0.0)


@pytest.mark.parametrize("text", ["", "200A", "0A,0A", "0A,200V", "0A,100A,200A", "nan,200A"])
def test_two_different_currents_are_wanted(text: str) -> None:
    with pytest.raises(InputError, match="write it like 0A,200A"):
        known_currents(text)


def test_known_currents() -> None:
    assert known_currents("0A, -187.5 A") == (0.0, -187.5)


def test_a_capture_without_a_current_cannot_be_calibrated() -> None:
    with pytest.raises(InputError, match="no channel of the current to calibrate"):
        level_of(Capture(np.ones((100, 1)), RATE_HZ, (Channel("sync", "V"),)), 0.0)


def test_what_a_level_says_of_a_reading() -> None:
    level = level_of(read(steady(0.5, noise=0.1)), -20.0)
    assert (level.amperes, level.unit, level.step) == (-20.0, "V", 5.0 / 1024)
    assert level.value == pytest.approx(0.5, abs=0.01)
    assert level.noise == pytest.approx(0.1, rel=0.1)
    assert level_of(read(np.linspace(0.0, 3.0, 999)), 0.0).moved == pytest.approx(2.0, rel=0.01)  # third to third
    assert level_of(read(np.array([1.0, np.nan, 3.0])), 0.0).value == 2.0
    assert level_of(Capture(np.ones((9, 1)), RATE_HZ, (Channel(CURRENT, "V", 0.1),)), 0.0).step == 0.0


def read_at(value: float, amperes: float, *, noise: float = 0.0, moved: float = 0.0, step: float = 0.0) -> Level:
    return Level(amperes, value, noise, moved, "V", step)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("change", "noise", "step", "good"), [
    (0.29, 0.1, 0.0, False), (0.31, 0.1, 0.0, True),    # three times the noise
    (0.079, 0.0, 0.01, False), (0.081, 0.0, 0.01, True)])  # eight counts
def test_a_change_is_clear_above_noise_and_counts(change, noise, step, good, sign) -> None:
    levels = read_at(1.0, 0.0, noise=noise, step=step), read_at(1.0 + sign * change, 10.0, step=step)
    if good:
        assert calibrated(*levels).per_ampere == pytest.approx(sign * change / 10.0)
    else:
        with pytest.raises(InputError, match="hardly changes from 0 A to 10 A"):
            calibrated(*levels)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_reading_may_move_by_a_tenth_of_the_change(sign) -> None:
    assert calibrated(read_at(0.5, 0.0), read_at(2.5, 200.0, moved=sign * 0.19)).per_ampere == pytest.approx(0.01)
    for levels in ((read_at(0.5, 0.0), read_at(2.5, 200.0, moved=sign * 0.21)),
                   (read_at(0.5, 200.0, moved=sign * 0.21), read_at(2.5, 0.0, moved=0.1))):
        with pytest.raises(InputError, match=r"isn't steady at 200 A, it moved by 0.21 V"):
            calibrated(*levels)
