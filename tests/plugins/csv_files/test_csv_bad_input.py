"""Files that are damaged, cut or no tables at all: survived and counted, or refused in one clear sentence."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankfold.acquire import AcquireError, FileFormatError, SettingError
from crankfold.plugins.tables.csv_reader import open_csv

Read = Callable[..., Any]

ROWS = 2000
RNG = np.random.default_rng(9)
CURRENT = np.round(RNG.normal(scale=40.0, size=ROWS), 3)
LINES = [f"{i / 5000:.9g},{v:.9g},{i % 7}" for i, v in enumerate(CURRENT)]
HEAD = "Time (s),Clamp (V),Sync (V)\n"


def with_lines(**changed: str) -> str:
    lines = list(LINES)
    for key, text in changed.items():
        lines[int(key[1:])] = text
    return HEAD + "\n".join(lines) + "\n"


@pytest.mark.parametrize("text", ["0.1,ga#$,3", "0.1", "####", "0.1,1.5,3,0.1002,1.5,3", "0.1,1.2.3,4", "\x07\x01",
                                  "0.1,1_000,3", "0.1,0x10,3", "Time (s),Clamp (V),Sync (V)", "\u00e9\u00e8"])
def test_a_damaged_line_is_one_lost_sample(read_csv: Read, text: str) -> None:
    got = read_csv(with_lines(r700=text))
    expected = CURRENT.copy()
    if text == "####":  # a comment is no sample; the time column says that one is missing
        assert got.notices["time-jumps"] == {"count": 1}
    else:
        assert got.notices == {"damaged-lines": {"count": 1, "line": 702}}
    expected[700] = np.nan
    np.testing.assert_array_equal(got.current, expected)
    assert got.lost == 1


def test_a_loss_at_the_very_end_is_told(read_csv: Read) -> None:
    got = read_csv(with_lines(r1998="garbage", r1999="garbage"))
    assert (len(got.current), got.lost) == (2000, 2)
    assert np.isnan(got.current[1998:]).all()


@pytest.mark.parametrize("text", ["0.14,,3", "0.14,NaN,3", "0.14,n/a,3", "0.14,1.5,", "0.14,-,3"])
def test_an_empty_cell_is_one_lost_sample(read_csv: Read, text: str) -> None:
    got = read_csv(with_lines(r700=text))
    assert np.isnan(got.current[700])
    assert got.lost == 1
    assert got.notices == {"empty-cells": {"count": 1}}


def test_some_damage_is_survived_and_much_is_refused(read_csv: Read) -> None:
    got = read_csv(with_lines(**{f"r{i}": "garbage" for i in range(100, 1900, 60)}))
    assert got.lost == 30
    with pytest.raises(FileFormatError, match="more lines are damaged") as caught:
        read_csv(with_lines(**{f"r{i}": "garbage" for i in range(100, 1900, 20)}))
    assert (caught.value.line, caught.value.column) == (102, 1)


def test_a_cut_last_line_is_left_out_and_said(read_csv: Read) -> None:
    whole = with_lines()
    for cut in (3, 10, 13):
        got = read_csv(whole[:-cut])
        np.testing.assert_array_equal(got.current[:1999], CURRENT[:1999])
        if len(got.current) == 1999:
            assert got.notices == {"line-cut": {"line": 2001}}


def test_a_cut_gzip_file_gives_what_it_has(read_csv: Read) -> None:
    packed = gzip.compress(with_lines().encode())
    got = read_csv(packed[: len(packed) // 2])
    assert 500 < len(got.current) < 1900
    np.testing.assert_array_equal(got.current, CURRENT[: len(got.current)])
    assert "compressed-cut" in got.notices


@pytest.mark.parametrize("where", [-6, -3, 2500])
def test_damaged_compressed_data_are_refused(read_csv: Read, where: int) -> None:
    packed = bytearray(gzip.compress(with_lines().encode()))
    packed[where] ^= 0xFF
    with pytest.raises(FileFormatError, match=r"damaged|stands where|numbers|text|longer"):
        read_csv(bytes(packed))


@pytest.mark.parametrize(("mark", "expected"), [
    ("OL", "neighbour"), ("----", "neighbour"), ("OVER", "neighbour"), ("#####", "neighbour"),
    ("Overload", "neighbour"),
    ("+OL", "high"), ("inf", "high"), ("1.#INF", "high"), ("∞", "high"), (">>>>", "high"),
    ("-OL", "low"), ("-inf", "low"), ("<<<<", "low"), ("1e999", "high")])
def test_overload_marks_are_clipped_samples(read_csv: Read, mark: str, expected: str) -> None:
    lines = list(LINES)
    lines[599] = f"{599 / 5000:.9g},-90.5,0"  # the mark without a sign takes the side of this neighbour
    for i in range(600, 620):
        lines[i] = f"{i / 5000:.9g},{mark},{i % 7}"
    got = read_csv(HEAD + "\n".join(lines))
    rest = np.delete(got.current, np.r_[600:620])
    assert set(got.current[600:620]) == {rest.max() if expected == "high" else rest.min()}
    assert got.lost == 0
    assert got.notices == {"overloads": {"count": 20}}


def test_overloads_with_commas_for_points(read_csv: Read) -> None:
    content = "\n".join(LINES).replace(",", ";").replace(".", ",").split("\n")
    content[100:110] = [f"{i / 5000:.9g};OL;1".replace(".", ",") for i in range(100, 110)]
    got = read_csv("\n".join(content))
    assert got.notices["overloads"] == {"count": 10}
    assert len(got.current) == ROWS


@pytest.mark.parametrize("rows", [
    '0.4,"1,234.5",3', "0.4,1'234,3"])
def test_thousands_separators_are_refused_by_name(read_csv: Read, rows: str) -> None:
    with pytest.raises(FileFormatError, match="thousands separators") as caught:
        read_csv(with_lines() + rows + "\n")
    assert (caught.value.line, caught.value.column) == (2002, 2)


@pytest.mark.parametrize("number", ["{:,.1f}", "{:,.0f}", "{:_.1f}"])
@pytest.mark.parametrize("group", [",", ".", " ", "'", "\u00a0"])
@pytest.mark.parametrize("size", [600, 1500, 5000])  # few, half, and nearly all of the numbers have a separator
def test_a_table_full_of_thousands_separators(read_csv: Read, number: str, group: str, size: int) -> None:
    other = "." if group != "." else ","
    lines = []
    for i in range(300):
        text = number.format(abs(RNG.normal()) * size).replace("_", ",")
        text = text.translate(str.maketrans({",": group, ".": other}))
        lines.append(f"{i / 5000:.4f}".replace(".", other) + ";" + text)
    with pytest.raises(FileFormatError, match="thousands separators"):
        read_csv("\n".join(lines))


def test_decimal_commas_of_three_digits_are_no_thousands(read_csv: Read) -> None:
    got = read_csv("\n".join(f"{i / 1000:.3f};{v:.3f}".replace(".", ",") for i, v in enumerate(CURRENT)))
    np.testing.assert_array_equal(got.current, CURRENT)


@pytest.mark.parametrize(("content", "words", "line", "column"), [
    ("", "empty", None, None),
    ("\n\n \n", "blank lines", None, None),
    ("Time (s),Clamp (V)\n", "no numbers below the header", 1, None),
    ("Time,Clamp\n0,abc\n0.1,def\n", "'abc' stands where a number was expected", 2, 2),
    ("A letter\nto the harbour master\nabout the launch\nand its pump\n", "stands where numbers were expected", 2, 1),
    ("1\n2\n3\n", "no time column", 1, None),
    ("Clamp (V),Spark (V)\n1,2\n2,3\n", "no time column", 2, None),
    ("Time (s)\n0\n1\n2\n", "no time column|one column only", None, None),
    ("0,001,1,23\n0,002,1,24\n0,003,1,25\n", "cannot be told apart", 3, None),
    ("Time (s),Clamp (bar)\n0,1\n0.1,2\n", "the current column is in bar", None, 2),
    ("Time (s),Spark (V)\n0,1\n0.1,2\n", "no column for the current", None, None),
    ("0,1,2\n", "single row", 1, None),
    ("0.001,1\n0.002,\n0.003,\n0.004,\n", "of this column is empty", 1, 2),
    (b"PK\x03\x04" + bytes(50), "workbook", None, None),
    (b"\x89HDF\r\n\x1a\n" + bytes(50), "HDF5", None, None),
    (bytes(range(256)) * 4, "binary data", None, None),
    (b"1" * 100_000, "longer than 64 KiB", 1, None),
    (b"0,1\n0.1,2\n" + b"x" * 100_000, "longer than 64 KiB", 3, None)])
def test_what_is_no_table_is_refused_in_one_sentence(read_csv: Read, content: str | bytes, words: str, line: int | None,
                                                     column: int | None) -> None:
    with pytest.raises(FileFormatError, match=words) as caught:
        read_csv(content)
    if "one column only" not in words:
        assert (caught.value.line, caught.value.column) == (line, column)
    assert "\n" not in str(caught.value)
    assert "crank.csv" in str(caught.value)
    assert caught.value.remedy


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="no such file"):
        open_csv(tmp_path / "none.csv", {})
    with pytest.raises(FileFormatError, match="folder"):
        open_csv(tmp_path, {})


@pytest.mark.parametrize(("settings", "words"), [
    ({"baud": "9600"}, "no setting 'baud'"), ({"rate": "fast"}, "not a sample rate"),
    ({"rate": "0"}, "not a sample rate"),
    ({"rate": "nan"}, "not a sample rate"), ({"columns": "1,9"}, "no column '9'"), ({"columns": "1,1"}, "two meanings"),
    ({"columns": "1,2,3,1"}, "cannot be understood"), ({"columns": "current=2,3"}, "cannot be understood"),
    ({"time-unit": "bar"}, "not a unit of a time"), ({"current-unit": "psi"}, "not a unit of a current"),
    ({"columns": "time,rpm"}, "no column 'time'")])
def test_settings_that_make_no_sense(tmp_path: Path, settings: dict[str, str], words: str) -> None:
    path = tmp_path / "x.csv"
    path.write_text("\n".join(LINES))
    with pytest.raises(SettingError, match=words) as caught:
        open_csv(path, settings)
    assert caught.value.remedy


def test_a_settings_column_of_text_is_refused(read_csv: Read) -> None:
    with pytest.raises(FileFormatError, match="holds text"):
        read_csv("Time,Note,Clamp\n" + "\n".join(f"{i / 100},ok,{i % 5}" for i in range(50)), columns="1,2")


def test_nothing_stays_open_after_a_refusal(tmp_path: Path) -> None:
    path = tmp_path / "x.csv.gz"
    path.write_bytes(gzip.compress(b"words only\nand more\nand more\nand more\n"))
    with pytest.raises(AcquireError):
        open_csv(path, {})
    path.unlink()  # would fail on some systems if it were still open; an open file also warns, which fails the test
