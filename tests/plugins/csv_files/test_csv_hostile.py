"""Bytes nobody meant as a table: never anything but a clear refusal, in bounded time and memory."""

from __future__ import annotations

import gzip
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crankfold.acquire import AcquireError
from crankfold.plugins.tables.csv_reader import open_csv, recognises

SECONDS_EACH = 20.0  # far above what any takes: the point is that none hangs
MEMORY_BYTES = 60 << 20

GOOD = "Time (s);Clamp (mV);Sync\n" + "\n".join(f"{i / 1000:.4f};{(i * 37) % 101 - 50};{i % 3}".replace(".", ",")
                                                for i in range(120)) + "\n"
CROOKED = st.sampled_from([
    ",", ";", "\t", " ", '"', "'", "\n", "\r", "\x00", ".", "-", "+", "e", "1", "0", "9", "nan", "inf", "OL",
    "----", "#", ":", "12:00:00", "2024-05-01", "\ufeff", "\xb5", "\xe9", "\u2212", "1e999", "-0", "1,234.5",
    "(s)", "time", "\x1a", "\x85", "\u2028", "0x1p3", "1_0", "\u0663"])


def survive(path: Path, **chosen: str) -> None:
    began = time.thread_time()
    try:
        with open_csv(path, chosen) as source:
            source.start()
            assert np.isfinite(source.info.rate_hz)
            assert source.info.rate_hz > 0
            while not source.finished:
                block = source.read(0.1)
                if block is not None:
                    assert np.isfinite(block.codes).all()
                assert time.thread_time() - began < SECONDS_EACH
            assert all("\n" not in str(fact) for notice in source.notices for fact in notice.facts.values())
    except AcquireError as error:
        assert error.remedy
        assert "\n" not in str(error).replace(str(path), "")
    assert time.thread_time() - began < SECONDS_EACH


HYPOTHESIS = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@HYPOTHESIS
@given(st.binary(max_size=400))
def test_any_bytes(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data)
    survive(path)
    assert recognises(data) in {True, False}


@HYPOTHESIS
@given(st.lists(CROOKED, max_size=80).map("".join), st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]), st.booleans())
def test_crooked_tables(tmp_path: Path, text: str, encoding: str, rated: bool) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(text.encode(encoding))
    survive(path, **({"rate": "1000"} if rated else {}))


@HYPOTHESIS
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 40), st.lists(CROOKED, max_size=6).map("".join), st.booleans())
def test_a_good_table_with_a_wound(tmp_path: Path, place: int, cut: int, text: str, packed: bool) -> None:
    data = (GOOD[:place] + text + GOOD[place + cut :]).encode()
    path = tmp_path / "x.csv"
    path.write_bytes(gzip.compress(data) if packed else data)
    survive(path)


@HYPOTHESIS
@given(st.integers(10, 300), st.integers(0, 255))
def test_a_good_gzip_file_with_a_wrong_byte(tmp_path: Path, place: int, value: int) -> None:
    data = bytearray(gzip.compress(GOOD.encode()))
    data[place % len(data)] = value
    path = tmp_path / "x.csv.gz"
    path.write_bytes(bytes(data))
    survive(path)


SAMPLED = (b"0", b"#\n", b"1,2\n", b'"')
OTHERS = (b"\n", b",", b"\0", b"\r", b"x\n", b"nan,nan\n", b"OL\n", b"0,OL\n", b'"\n', b"1:", b" ", b"1;2,3\n")


@pytest.mark.parametrize("piece", [*SAMPLED, *(pytest.param(piece, marks=pytest.mark.slow) for piece in OTHERS)])
def test_gzip_bombs(tmp_path: Path, piece: bytes) -> None:
    """A hundred kilobytes that unpack to many megabytes of one thing are refused, or read in little memory."""
    path = tmp_path / "x.csv.gz"
    path.write_bytes(gzip.compress(piece * ((12 << 20) // len(piece)), compresslevel=1))
    tracemalloc.start()
    try:
        survive(path)
        assert tracemalloc.get_traced_memory()[1] < MEMORY_BYTES
    finally:
        tracemalloc.stop()


def test_a_bomb_behind_a_good_beginning(tmp_path: Path) -> None:
    path = tmp_path / "x.csv.gz"
    rows = b"".join(b"%d,%d,%d\n" % (40 * i, i % 97, i % 5) for i in range(60_000))
    path.write_bytes(gzip.compress(b"Time (us),Clamp,Sync\n" + rows + b"7" * (12 << 20), compresslevel=1))
    with pytest.raises(AcquireError, match="longer than 64 KiB"), open_csv(path, {}) as source:
        source.start()
        while not source.finished:
            source.read(0.1)


def test_reading_is_bounded_in_memory_whatever_the_size(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    rows = b"".join(b"%.5f,%d,%d\n" % (i / 25000, i % 97, i % 5) for i in range(300_000))
    peaks = []
    for part in (rows[: len(rows) // 3], rows):
        path.write_bytes(part[: part.rfind(b"\n") + 1])
        tracemalloc.start()
        survive(path)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]
    assert peaks[1] < MEMORY_BYTES


def test_a_jump_to_the_end_of_time_makes_no_endless_gap(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("\n".join([*(f"{i / 1000},{i % 7}" for i in range(200)), "1e300,5", "1e300,6"]))
    survive(path)
    path.write_text("\n".join([*(f"{i},{i % 7}" for i in range(200)), "4000000000,5", "4000000001,5"]))
    survive(path, rate="1000")
