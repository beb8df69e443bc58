"""RFC 4180, Common Format and MIME Type for CSV Files (October 2005), section 2, rule by rule."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import Source
from crankfold.plugins.tables.csv_reader import open_csv

CURRENT = [10.5, -3.25, 80.0, 7.125, 0.5]
ROWS = [f"{i / 1000:.3f},{value}" for i, value in enumerate(CURRENT)]


def read(path: Path, text: str) -> tuple[Source, np.ndarray]:
    path.write_bytes(text.encode("ascii"))
    with open_csv(path, {}) as source:
        source.start()
        blocks = []
        while not source.finished:
            block = source.read(0.1)
            if block is not None:
                assert block.lost_before == 0
                blocks.append(block.codes)
        assert source.notices == ()
        return source, np.concatenate(blocks)[:, 0]


def test_rule_1_each_record_on_a_line_of_its_own_ended_by_crlf(tmp_path: Path) -> None:
    source, values = read(tmp_path / "x.csv", "\r\n".join(ROWS) + "\r\n")
    np.testing.assert_array_equal(values, CURRENT)
    assert source.info.rate_hz == pytest.approx(1000)


def test_rule_2_the_last_record_may_or_may_not_have_an_end(tmp_path: Path) -> None:
    _, values = read(tmp_path / "x.csv", "\r\n".join(ROWS))
    np.testing.assert_array_equal(values, CURRENT)


def test_rule_3_there_may_be_a_header_of_as_many_fields(tmp_path: Path) -> None:
    source, values = read(tmp_path / "x.csv", "\r\n".join(["time,current", *ROWS, ""]))
    np.testing.assert_array_equal(values, CURRENT)
    assert source.info.notes["current column"] == "current"


def test_rule_4_fields_are_separated_by_commas_and_the_last_has_none_behind(tmp_path: Path) -> None:
    lines = [f"{row},{i % 2}" for i, row in enumerate(ROWS)]
    source, _ = read(tmp_path / "x.csv", "\r\n".join(lines) + "\r\n")
    assert [channel.name for channel in source.info.channels] == ["current", "sync"]


def test_rule_5_each_field_may_or_may_not_be_in_quotes(tmp_path: Path) -> None:
    quoted = [row if i % 2 else ",".join(f'"{field}"' for field in row.split(",")) for i, row in enumerate(ROWS)]
    _, values = read(tmp_path / "x.csv", "\r\n".join(quoted) + "\r\n")
    np.testing.assert_array_equal(values, CURRENT)


def test_rule_6_line_breaks_quotes_and_commas_inside_quotes(tmp_path: Path) -> None:
    head = '"time, since the key\r\nwas turned (ms)","current (mA)","note, ""free"""\r\n'
    rows = "".join(f'{i},{value},"pump, ""four"""\r\n' for i, value in enumerate(CURRENT))
    source, values = read(tmp_path / "x.csv", head + rows)
    np.testing.assert_array_equal(values, CURRENT)
    assert source.info.rate_hz == pytest.approx(1000)
    assert source.info.channels[0].unit == "A"
    assert source.info.channels[0].scale == pytest.approx(1e-3)


def test_rule_7_a_quote_inside_quotes_is_doubled(tmp_path: Path) -> None:
    source, values = read(tmp_path / "x.csv", "\r\n".join(['time,"clamp ""red"""', *ROWS, ""]))
    np.testing.assert_array_equal(values, CURRENT)
    assert source.info.notes["current column"] == "clamp red"
