"""The time column is the truth: its unit, its rate, what it says is missing, and what it cannot say."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.acquire import FileFormatError
from crankfold.plugins.tables.cadence import find_cadence, find_losses

Read = Callable[..., Any]

RATE_HZ = 5000.0
RNG = np.random.default_rng(5)
CURRENT = np.round(RNG.normal(scale=40.0, size=3000), 3)


def rows(times: list[str], values: np.ndarray = CURRENT, head: str = "") -> str:
    return head + "\n".join(f"{t},{v:.9g}" for t, v in zip(times, values, strict=False)) + "\n"


def times(count: int = 3000, rate_hz: float = RATE_HZ, start_s: float = 0.0) -> np.ndarray:
    return start_s + np.arange(count) / rate_hz


@pytest.mark.parametrize(("head", "factor"), [
    ("Time (s),Clamp\n", 1.0), ("Time (ms),Clamp\n", 1e3), ("t/us,Clamp\n", 1e6), ("Time,Clamp\n(µs),(V)\n", 1e6),
    ("time_ms,clamp\n", 1e3), ("Seconds,Clamp\n", 1.0), ("micros,clamp\n", 1e6), ("Time (ns),Clamp\n", 1e9)])
def test_units_of_time(read_csv: Read, head: str, factor: float) -> None:
    got = read_csv(rows([f"{t * factor:.9g}" for t in times()], head=head))
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-7)
    assert got.measured_rate_hz == pytest.approx(RATE_HZ, rel=1e-7)
    np.testing.assert_array_equal(got.current, CURRENT)
    assert got.notices == {}


@pytest.mark.parametrize("start", ["00:00:00", "23:59:59.9", "2024-05-01T12:00:00", "2024-05-01 23:59:59.9",
                                   "01.05.2024 12:00:00"])
@pytest.mark.parametrize("zone", ["", "Z", "+02:00"])
def test_clock_times_over_midnight_too(read_csv: Read, start: str, zone: str) -> None:
    day, _, clock = start.replace("T", " ").rpartition(" ")
    hours, minutes, seconds = clock.split(":")
    began = int(hours) * 3600 + int(minutes) * 60 + float(seconds)
    written = []
    for t in times():
        units = round((began + t) * 10000) % (86400 * 10000)
        whole, part = divmod(units, 10000)
        text = f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{part:04d}"
        written.append((day + ("T" if "T" in start else " ") if day else "") + text + (zone if day else ""))
    got = read_csv(rows(written))
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)
    np.testing.assert_array_equal(got.current, CURRENT)
    assert (got.lost, got.notices) == (0, {})


def test_clock_times_with_decimal_commas(read_csv: Read) -> None:
    content = "\n".join(f"00:01:{t:07.4f};{v:.9g}".replace(".", ",") for t, v in zip(times(), CURRENT, strict=True))
    np.testing.assert_array_equal(read_csv(content).current, CURRENT)


def test_minutes_and_seconds(read_csv: Read) -> None:
    got = read_csv(rows([f"{int(59.9 + t) // 60:02d}:{(59.9 + t) % 60:07.4f}" for t in times()]))
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)


def test_a_date_column_beside_the_clock(read_csv: Read) -> None:
    got = read_csv(rows([f"2024-05-01,12:00:{t:07.4f}" for t in times()], head="Date,Time,Clamp\n"))
    np.testing.assert_array_equal(got.current, CURRENT)


@pytest.mark.parametrize("range_", [256, 65536, None])
def test_sample_counters_count_what_is_lost_exactly(read_csv: Read, range_: int | None) -> None:
    numbers = np.delete(np.arange(3000), np.r_[100:103, 1000])
    written = [str(n % range_ if range_ else n + 77) for n in numbers]
    got = read_csv(rows(written, np.delete(CURRENT, np.r_[100:103, 1000]), head="Sample,Clamp (V)\n"), rate="5000")
    assert (got.info.rate_hz, got.measured_rate_hz, got.lost) == (5000.0, None, 4)
    expected = CURRENT.copy()
    expected[np.r_[100:103, 1000]] = np.nan
    np.testing.assert_array_equal(got.current, expected)


def test_a_counter_without_a_rate_says_what_to_do(read_csv: Read) -> None:
    for head in ("Sample,Clamp\n", ""):
        with pytest.raises(FileFormatError, match="rate=5000"):
            read_csv(rows([str(n) for n in range(3000)], head=head))


def test_microsecond_counters_of_32_bits_run_on(read_csv: Read) -> None:
    written = [str((2**32 - 100_000 + round(t * 1e6)) % 2**32) for t in times()]
    got = read_csv(rows(written, head="micros,clamp\n"))
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)
    np.testing.assert_array_equal(got.current, CURRENT)


@pytest.mark.parametrize(("factor", "unit"), [(1e3, "ms"), (1e6, "us")])
def test_a_unit_nobody_said_is_guessed_aloud(read_csv: Read, factor: float, unit: str) -> None:
    got = read_csv(rows([f"{t * factor:.9g}" for t in times()]))
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-7)
    assert got.notices["time-unit"]["unit"] == unit


def test_seconds_since_1970(read_csv: Read) -> None:
    got = read_csv(rows([f"{1714567890 + t:.4f}" for t in times()]))
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-5)
    np.testing.assert_array_equal(got.current, CURRENT)


def test_the_time_column_beats_a_stated_rate(read_csv: Read) -> None:
    got = read_csv(rows([f"{t:.9g}" for t in times()], head="Time (s),Clamp\n"), rate="4000")
    assert got.info.rate_hz == pytest.approx(RATE_HZ)
    assert got.notices == {"time-against-rate": {"rate_hz": pytest.approx(5000), "said_hz": 4000}}


@pytest.mark.parametrize("lost", [[500], [500, 501, 502], [10, 11, 1500, 2997], list(range(700, 1300))])
def test_missing_rows_are_counted(read_csv: Read, lost: list[int]) -> None:
    keep = np.delete(np.arange(3000), lost)
    got = read_csv(rows([f"{t:.9g}" for t in times()[keep]], CURRENT[keep], head="Time (s),Clamp\n"))
    expected = CURRENT.copy()
    expected[lost] = np.nan
    np.testing.assert_array_equal(got.current, expected)
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-7)
    assert got.measured_rate_hz == pytest.approx(RATE_HZ, rel=1e-7)
    assert got.lost == len(lost)
    assert got.notices == {"time-jumps": {"count": len(lost)}}


def test_a_long_hole_is_an_unknown_loss(read_csv: Read) -> None:
    written = [f"{t:.9g}" for t in (*times(1000), *times(2000, start_s=3600.0))]
    got = read_csv(rows(written))
    assert (got.lost, got.unknown_losses) == (0, 1)
    assert got.measured_rate_hz == pytest.approx(RATE_HZ, rel=1e-3)
    np.testing.assert_array_equal(got.current, CURRENT)
    assert "time-holes" in got.notices


@pytest.mark.parametrize(("rate_hz", "form"), [
    (25000.0, "{:.4f}"), (25000.0, "{:.3f}"), (10000.0, "{:.3f}"), (12000.0, "{:.4f}"),
    (30000.0, "{:.6g}"), (18000.0, "{:.4f}"), (11000.0, "{:.4f}")])
def test_times_with_too_few_digits_lose_nothing(read_csv: Read, rate_hz: float, form: str) -> None:
    values = np.tile(CURRENT, 10)
    got = read_csv(rows([form.format(9.9 + t) for t in times(len(values), rate_hz)], values, "Time (s),Clamp\n"))
    assert got.info.rate_hz == pytest.approx(rate_hz, rel=2e-3)
    assert got.measured_rate_hz == pytest.approx(rate_hz, rel=2e-3)
    np.testing.assert_array_equal(got.current, values)
    assert got.notices == {}


def test_times_too_coarse_to_tell_a_rate_ask_for_it(read_csv: Read) -> None:
    written = [f"12:00:{int(t * 4 + 0.3):02d}" for t in times()]
    with pytest.raises(FileFormatError, match=r"tells the sample rate to \d+% only; .*rate=5000"):
        read_csv(rows(written))
    got = read_csv(rows(written), rate="1250")
    assert (got.info.rate_hz, got.measured_rate_hz, got.lost) == (1250.0, None, 0)
    np.testing.assert_array_equal(got.current, CURRENT)


def test_losses_are_seen_in_coarse_times_too(read_csv: Read) -> None:
    values = np.tile(CURRENT, 10)
    keep = np.delete(np.arange(len(values)), np.r_[12000:12500])
    got = read_csv(rows([f"{t:.4f}" for t in times(len(values), 25000.0)[keep]], values[keep], "Time (s),Clamp\n"))
    assert got.lost == pytest.approx(500, abs=3)


def test_little_jitter_is_nothing(read_csv: Read) -> None:
    stamps = times() + RNG.uniform(-0.1, 0.1, 3000) / RATE_HZ
    got = read_csv(rows([f"{t + 1:.8f}" for t in stamps], head="Time (s),Clamp\n"))
    np.testing.assert_array_equal(got.current, CURRENT)
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-3)
    assert got.notices == {}


def test_a_late_stamp_is_no_loss(read_csv: Read) -> None:
    stamps = times()
    stamps[[200, 900, 901, 2500]] += 0.9 / RATE_HZ
    got = read_csv(rows([f"{t:.9g}" for t in stamps], head="Time (s),Clamp\n"))
    np.testing.assert_array_equal(got.current, CURRENT)


def test_uneven_rows_are_put_on_an_even_grid(read_csv: Read) -> None:
    stamps = np.cumsum(RNG.uniform(0.4, 1.6, 3000)) / RATE_HZ
    wave = np.sin(2 * np.pi * 11.0 * stamps)
    got = read_csv(rows([f"{t:.9f}" for t in stamps], wave, head="Time (s),Clamp\n"))
    grid = stamps[0] + np.arange(len(got.current)) / got.info.rate_hz
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=0.03)
    assert got.measured_rate_hz == got.info.rate_hz
    assert len(got.current) == pytest.approx(3000, abs=2)
    # A straight line between points h apart is off by at most (2 pi f h)^2 / 8.
    bound = (2 * np.pi * 11.0 * 1.6 / RATE_HZ) ** 2 / 8
    assert np.abs(got.current - np.sin(2 * np.pi * 11.0 * grid)).max() < 1.01 * bound
    assert list(got.notices) == ["uneven-time"]


def test_no_line_is_drawn_across_a_hole_in_uneven_rows(read_csv: Read) -> None:
    stamps = np.cumsum(RNG.uniform(0.4, 1.6, 3000)) / RATE_HZ
    stamps[1500:] += 0.5
    got = read_csv(rows([f"{t:.9f}" for t in stamps], head="Time (s),Clamp\n"))
    assert got.lost == pytest.approx(0.5 * got.info.rate_hz, rel=0.01)


@pytest.mark.parametrize(("change", "line", "words"), [
    (lambda t: t[::-1], 3, "backwards"), (lambda t: np.full_like(t, 1.5), 3, "stands still"),
    (lambda t: np.where(np.arange(3000) == 1234, t - 0.1, t), 1236, "backwards"),
    (lambda t: np.where(np.arange(3000) == 1234, np.nan, t), 1236, "missing or no number"),
    (lambda t: np.concatenate([t[:2000], t[:1000]]), 2002, "two recordings")])
def test_times_that_cannot_be_say_where(read_csv: Read, change: Callable[[np.ndarray], np.ndarray], line: int,
                                        words: str) -> None:
    with pytest.raises(FileFormatError, match=words) as caught:
        read_csv(rows([f"{t:.9g}" for t in change(times())], head="Time (s),Clamp (V)\n"))
    assert (caught.value.line, caught.value.column) == (line, 1)
    assert caught.value.remedy


def test_a_rate_that_changes_far_into_the_file_is_refused_there(read_csv: Read) -> None:
    values = np.tile(CURRENT, 40)
    stamps = np.concatenate([times(90000), 90000 / RATE_HZ + times(30000, 2 * RATE_HZ)])
    with pytest.raises(FileFormatError, match="changes pace") as caught:
        read_csv(rows([f"{t:.9g}" for t in stamps], values, head="Time (s),Clamp (V)\n"))
    assert caught.value.line is not None
    assert abs(caught.value.line - 90002) < 600


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.integers(20, 400), st.integers(1, 50)), max_size=6),
       st.sampled_from([100.0, 5000.0, 25000.0]), st.integers(0, 2**32 - 1))
def test_any_losses_are_counted_where_they_are(gaps: list[tuple[int, int]], rate_hz: float, seed: int) -> None:
    index = [0]
    for run, missing in [*gaps, (50, 0)]:
        index += [index[-1] + 1 + k for k in range(run)]
        index[-1] += missing
    rows_ = np.arange(len(index))
    jitter = np.random.default_rng(seed).uniform(-0.05, 0.05, len(index))
    stamps = (np.array(index) + jitter) / rate_hz
    cadence = find_cadence(stamps, rows_)
    assert cadence.even
    assert cadence.interval * rate_hz == pytest.approx(1.0, abs=2e-3)
    np.testing.assert_array_equal(find_losses(stamps, rows_, cadence), np.diff(index) - 1)
