"""Descriptions of bench instruments: what a good one says, and one sentence for each way it can be wrong."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.acquire import BoardGarbledError, FileFormatError, record
from crankfold.plugins.usb.tmc_board import UsbTmcSource
from crankfold.plugins.usb.tmc_description import Preamble, read_instrument

GOOD = """
format = "crankfold.usb-tmc/1"
title = "Two-channel digitiser"
[device]
vendor_id = 0x1209
product_id = 0x0488
[rate]
default_hz = 10_000
set = "SAMP:RATE {rate_hz}"
[record]
arm = ["INIT"]
ready = "STAT?"
ready_answer = "1"
[samples]
dtype = ">f4"
[preamble]
ask = "PRE? {source}"
scale = 2
[[channels]]
name = "current"
source = "1"
read = "DATA? {source}"
"""


def read(tmp_path, text):
    path = tmp_path / "instrument.toml"
    path.write_text(text, encoding="utf-8")
    return read_instrument(path)


def test_a_good_description(tmp_path) -> None:
    instrument = read(tmp_path, GOOD)
    assert instrument.arm == ("INIT",) and instrument.dtype == np.dtype(">f4") and not instrument.contiguous
    assert instrument.channels[0].read == "DATA? {source}" and instrument.channels[0].channel.code_dtype == "float32"


@pytest.mark.parametrize(("old", "new", "message"), [
    ("usb-tmc/1", "usb-bulk/1", "'format' holds 'crankfold.usb-bulk/1', expected one of \"crankfold.usb-tmc/1\""),
    ("[record]", "[recording]", r"the table \[record\] is missing"),
    ('arm = ["INIT"]', 'arm = "INIT"', "'record.arm' holds 'INIT', expected a list of texts"),
    ('arm = ["INIT"]', "arm = [1]", r"'record.arm' holds \[1\]"),
    ('ready_answer = "1"', "", "'record.ready_answer' is missing"),
    ('ready_answer = "1"', 'ready_answer = "1"\ncontiguous = true\nlost = "L?"', "either contiguous or lost"),
    ('ready_answer = "1"', 'ready_answer = "1"\ncontiguous = 1', "expected true or false"),
    ('ready_answer = "1"', 'ready_answer = "1"\ntriggered = true\nlost = "L?"', "between two triggers nobody counts"),
    ('ready_answer = "1"', 'ready_answer = "1"\npoll_s = 0', "'record.poll_s' holds 0"),
    ("{rate_hz}", "{rate}", "a command with {rate_hz} in it"),
    ('">f4"', '"f4"', "'samples.dtype' holds 'f4'"),
    ("scale = 2", "scale = 0", "'preamble.scale' holds 0, expected a whole number from 1"),
    ("scale = 2", "", "'preamble.scale' is missing"),
    ('source = "1"', "scale = 2.0", "no scale here, the preamble gives it"),
    ('source = "1"', "code_range = [3, 2]", "two whole numbers"),
    ('read = "DATA? {source}"', "", r"'channels\[1\].read' is missing"),
    ('name = "current"', 'nam = "current"', r"'channels\[1\].name' is missing"),
    ('source = "1"', "colour = 1", r"'channels\[1\].colour' is unknown"),
    ('[[channels]]\nname = "current"\nsource = "1"\nread = "DATA? {source}"\n', "", "1 to 64 channels"),
])
def test_each_mistake_is_one_sentence(tmp_path, old, new, message) -> None:
    assert old in GOOD
    with pytest.raises(FileFormatError, match=message) as caught:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert "\n" not in str(caught.value)


def test_two_channels_of_one_name(tmp_path) -> None:
    twice = GOOD + GOOD[GOOD.index("[[channels]]"):]
    with pytest.raises(FileFormatError, match="each channel another name"):
        read(tmp_path, twice)


def test_a_preamble_gives_scale_offset_and_interval() -> None:
    preamble = Preamble("PRE?", ";", 2, 3, 4, 5)
    scale, offset, interval = preamble.parse("x; 2.0E-3 ;+1.5;128;1e-4")
    assert (scale, offset, interval) == (2e-3, 1.5 - 128 * 2e-3, 1e-4)
    assert Preamble("PRE?", ",", 1, None, None, None).parse("4") == (4.0, 0.0, None)


@pytest.mark.parametrize("answer", ["", "1;2", "x;a;1;1;1", "x;0;1;1;1", "x;nan;1;1;1", "x;1;1;1;0", "x;1;1;1;-1"])
def test_a_preamble_that_makes_no_sense(answer) -> None:
    with pytest.raises(BoardGarbledError, match=r"compare \[preamble\]"):
        Preamble("PRE?", ";", 2, 3, 4, 5).parse(answer)


class Link:
    """An instrument that has triggered on two cranks and waits for a third."""

    address = "1209:0488"

    def __init__(self, records: list[np.ndarray]) -> None:
        self._records, self._error = records, BoardGarbledError("no third crank came", "stop here")

    def write(self, command: str) -> None:
        pass

    def ask(self, query: str) -> str:
        if query == "STAT?" and not self._records:
            raise self._error
        return {"STAT?": "1", "PRE? 1": "x,1.0"}.get(query, "DIGITISER")

    def ask_bytes(self, query: str) -> bytes:
        data = self._records.pop(0).astype(">f4").tobytes()
        return b"#%d%d" % (len(str(len(data))), len(data)) + data

    def close(self) -> None:
        pass


def test_an_instrument_that_triggers_by_itself_gives_each_record_whole(tmp_path) -> None:
    since = np.arange(40_000) / 10_000 - 0.3
    crank = np.where(since > 0, 150 + 50 * np.cos(40 * since) + 300 * np.exp(-np.maximum(since, 0) / 0.08), 0.0)
    crank += np.random.default_rng(3).normal(0.0, 0.5, len(crank))
    description = read(tmp_path, GOOD.replace('ready_answer = "1"', 'ready_answer = "1"\ntriggered = true'))
    source = UsbTmcSource(description, Link([crank, crank[:30_000]]), 10_000.0)  # type: ignore[arg-type]
    assert source.info.records
    found = []
    with pytest.raises(BoardGarbledError, match="no third crank"):
        for capture in record(source):
            found.append(capture)
    assert [len(capture.samples) for capture in found] == [40_000, 30_000]
    assert all(capture.trigger_index == pytest.approx(3000, abs=200) for capture in found)
