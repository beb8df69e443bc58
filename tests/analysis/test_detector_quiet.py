"""Zero and noise of the quiet, followed as they drift and kept from what is about to happen."""

from __future__ import annotations

import pytest

from crankfold.analysis.signal.detector.quiet import (
    HELD_BACK_FRAMES,
    MEMORY_FRAMES,
    NEEDED_FRAMES,
    REFRESH_FRAMES,
    Quiet,
)


def quiet_of(frames, least_noise=0.0) -> Quiet:
    quiet = Quiet(least_noise)
    for mean in frames:
        quiet.add(mean)
    return quiet


def swinging(count: int, zero: float = 0.0) -> list[float]:
    """One above, one below: 1.4826 of noise, from their median deviation."""
    return [zero + (1.0 if n % 2 else -1.0) for n in range(count)]


def test_it_is_known_after_a_twelfth_of_a_second() -> None:
    wanted = NEEDED_FRAMES + HELD_BACK_FRAMES
    assert wanted == 20  # of 4 ms: recordings that begin a quarter of a second before the crank must do
    early, known = quiet_of([3.0] * (wanted - 1)), quiet_of([3.0] * wanted)
    assert (early.known, early.zero) == (False, 0.0)
    assert (known.known, known.zero, known.noise) == (True, 3.0, 0.0)


def test_noise_is_a_standard_deviation_whatever_a_few_frames_read() -> None:
    quiet = quiet_of([*swinging(60, zero=5.0), 900.0, -900.0, 900.0, *swinging(60, zero=5.0)])
    assert quiet.zero == pytest.approx(5.0, abs=1.0)
    assert quiet.noise == pytest.approx(1.4826, rel=1e-4)


@pytest.mark.parametrize(("least", "noise"), [(0.5, 1.4826), (2.0, 2.0)])
def test_noise_is_not_below_what_the_converter_can_tell(least, noise) -> None:
    assert quiet_of(swinging(60), least).noise == pytest.approx(noise, rel=1e-4)


def test_the_last_thirty_milliseconds_are_not_used_yet() -> None:
    quiet = quiet_of([1.0] * 20 + [50.0] * HELD_BACK_FRAMES)
    assert list(quiet.waiting) == [50.0] * HELD_BACK_FRAMES
    quiet.forget_waiting()
    for _ in range(MEMORY_FRAMES):
        quiet.add(1.0)
    assert (quiet.zero, quiet.noise, len(quiet.waiting)) == (1.0, 0.0, HELD_BACK_FRAMES)


def test_a_zero_that_moves_is_followed_within_half_a_second() -> None:
    quiet = quiet_of([0.0] * (MEMORY_FRAMES + HELD_BACK_FRAMES))
    after = 0
    while quiet.zero < 7.0:
        quiet.add(7.0)
        after += 1
    half = MEMORY_FRAMES // 2 + HELD_BACK_FRAMES
    assert half < after <= half + REFRESH_FRAMES


def test_a_load_that_stays_is_the_new_quiet_at_once() -> None:
    quiet = quiet_of([*swinging(100), 9.0])
    quiet.restart(swinging(NEEDED_FRAMES, zero=25.0))
    assert (quiet.zero, len(quiet.waiting)) == (25.0, 0)
    assert quiet.noise == pytest.approx(1.4826, rel=1e-4)
    for mean in swinging(REFRESH_FRAMES + HELD_BACK_FRAMES, zero=25.0):
        quiet.add(mean)
    assert quiet.zero == 25.0
