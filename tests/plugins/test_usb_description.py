"""Descriptions of USB boards: what a good one says, and one sentence for each way it can be wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire import FileFormatError, SettingError
from crankfold.plugins.usb.commands import Field
from crankfold.plugins.usb.description import read_description

GOOD = """
format = "crankfold.usb-bulk/1"
title = "Irrigation pump board"
[device]
vendor_id = 0x1209
product_id = 0x0002
endpoint = 0x82
[rate]
default_hz = 20_000
min_hz = 100
max_hz = 100_000
clock_hz = 1_000_000
[[rate.set]]
write = { endpoint = 0x01, data = "52 {rate_hz:<u4} {divider:>u2}" }
pause_ms = 1
[[rate.set]]
control = { request = 7, value = "divider_low", index = "rate_hz_high", data = "01" }
[rate.ask]
request = 8
length = 4
dtype = "<u4"
gives = "rate_hz"
[samples]
dtype = "<u2"
bits = 12
[packet]
bytes = 64
header_bytes = 4
magic = "a55a"
sequence = "<u2"
sequence_at = 2
[[channels]]
name = "current"
unit = "V"
full_scale = [0.0, 3.3]
[[channels]]
name = "skip"
[[channels]]
name = "sync"
unit = "V"
scale = 0.002
offset = -4.0
skew_us = 5
[[start]]
write = { endpoint = 0x01, data = "53" }
[[stop]]
write = { endpoint = 0x01, data = "45" }
"""


def read(tmp_path: Path, text: str):
    path = tmp_path / "board.toml"
    path.write_text(text, encoding="utf-8")
    return read_description(path)


def test_a_good_description(tmp_path) -> None:
    board = read(tmp_path, GOOD)
    assert (board.vendor_id, board.product_id, board.endpoint, board.interface) == (0x1209, 2, 0x82, 0)
    current, sync = board.samples.channels
    assert (current.name, current.unit, current.code_range, current.code_dtype) == ("current", "V", (0, 4095), "uint16")
    assert current.scale == pytest.approx(3.3 / 4096) and current.offset == 0.0
    assert (sync.scale, sync.offset) == (0.002, -4.0)
    assert board.samples.names == ("current", "skip", "sync") and board.samples.skew_s == pytest.approx((0.0, 5e-6))
    assert board.packet is not None and board.packet.sequence == np.dtype("<u2")


class Wire:
    """Notes what commands send."""

    def __init__(self) -> None:
        self.sent = []

    def write(self, endpoint, data) -> None:
        self.sent.append((endpoint, data.hex()))

    def control(self, request_type, request, value, index, data):
        self.sent.append((request_type, request, value, index, data if isinstance(data, int) else data.hex()))
        return bytes.fromhex("204e0000")


def test_commands_carry_the_numbers(tmp_path) -> None:
    board, wire = read(tmp_path, GOOD), Wire()
    numbers = board.rate.numbers(70_000.0)
    for command in (*board.rate.set, *board.start):
        command.send(wire, numbers)
    assert wire.sent == [(1, "52" + "70110100" + "000e"), (0x40, 7, 14, 1, "01"), (1, "53")]
    assert board.rate.question.ask(wire) == 20_000
    assert board.rate.actual_hz(numbers, 70_000.0) == pytest.approx(1e6 / 14)


def test_a_number_too_large_for_its_field_keeps_its_low_bytes() -> None:
    assert Field("rate_hz", "<u2").encode({"rate_hz": 70_000}) == b"\x70\x11"


@pytest.mark.parametrize(("rate_hz", "packet", "expected"), [(1e6, 512, 65536), (1e4, 64, 1152), (100.0, 512, 512),
                                                             (100.0, 64, 512)])
def test_transfers_fill_within_a_fiftieth_of_a_second(tmp_path, rate_hz, packet, expected) -> None:
    assert read(tmp_path, GOOD).transfer_size(rate_hz, packet) == expected


@pytest.mark.parametrize(("text", "message"), [
    ("fast", "rate=fast is not a number"), ("99", "from 100 to 100000"), ("nan", "no rate of nan"),
    ("-5", "no rate of -5"), ("1e9", "from 100 to 100000"),
])
def test_rates_that_cannot_be(tmp_path, text, message) -> None:
    with pytest.raises(SettingError, match=message):
        read(tmp_path, GOOD).rate.choose(text)


def test_a_fixed_rate_and_a_list_of_rates(tmp_path) -> None:
    board = read(tmp_path, GOOD)
    assert board.rate.choose(None) == 20_000.0 and board.rate.choose("5e3") == 5000.0
    start = GOOD.index("clock_hz")
    fixed = read(tmp_path, GOOD[:start] + GOOD[GOOD.index("[rate.ask]"):])
    with pytest.raises(SettingError, match="fixed at 20000"):
        fixed.rate.choose("10000")
    listed = read(tmp_path, GOOD.replace("min_hz = 100\n", "choices_hz = [10000, 20000]\n"))
    with pytest.raises(SettingError, match="choose one of 10000, 20000"):
        listed.rate.choose("15000")


BAD = [
    ('format = "crankfold.usb-bulk/1"', 'format = "crankfold.usb-bulk/9"', "'format' holds 'crankfold.usb-bulk/9'"),
    ('title = "Irrigation pump board"', "", "'title' is missing"),
    ('title = "Irrigation pump board"', 'title = "x"\ncolour = 1', "'colour' is unknown"),
    ("[device]\nvendor_id", "[devise]\nvendor_id", r"the table \[device\] is missing"),
    ("vendor_id = 0x1209", 'vendor_id = "1209"', "'1209', expected a whole number from 0 to 65535"),
    ("vendor_id = 0x1209", "vendor_id = 70000", "'device.vendor_id' holds 70000"),
    ("vendor_id = 0x1209", "vendor_id = true", "'device.vendor_id' holds True"),
    ("endpoint = 0x82", "endpoint = 0x02", "'device.endpoint' holds 2, expected a whole number from 129 to 143"),
    ("endpoint = 0x82", "endpoint = 0x82\nsilence_s = 0", "holds 0, expected a finite number greater than 0"),
    ("endpoint = 0x82", "endpoint = 0x82\ntransfer_byte = 512", "did you mean 'transfer_bytes'"),
    ("default_hz = 20_000", "default_hz = inf", "'rate.default_hz' holds inf"),
    ("default_hz = 20_000", "default_hz = 50", "a rate within 100 and 100000"),
    ("default_hz = 20_000", f"default_hz = {10**350}", "'rate.default_hz' holds 10"),
    ("default_hz = 20_000", f"default_hz = {10**400}", "a number of 400 digits or more"),
    ("clock_hz = 1_000_000", "clock_hz = 10", "at least default_hz"),
    ("clock_hz = 1_000_000", "choices_hz = [1, 2]", "one of choices_hz"),
    ("clock_hz = 1_000_000", 'choices_hz = ["a"]', "a list of 1 numbers"),
    ("clock_hz = 1_000_000", "choices_hz = [-1, 20000]", "rates greater than zero"),
    ("52 {rate_hz:<u4} {divider:>u2}", "5 {rate_hz:<u4}", "pairs of hexadecimal digits"),
    ("52 {rate_hz:<u4} {divider:>u2}", "52 {speed:<u4}", "only {rate_hz:<u4}"),
    ("52 {rate_hz:<u4} {divider:>u2}", "52 {rate_hz:f4}", "pairs of hexadecimal digits"),
    ('value = "divider_low"', 'value = "divisor"', r"'rate.set\[2\].control.value' holds 'divisor'"),
    ('value = "divider_low"', "value = 65536", r"'rate.set\[2\].control.value' holds 65536"),
    ("pause_ms = 1", "control = { request = 1 }", "one of the two"),
    ("length = 4", "length = 3", "enough bytes for the number"),
    ('gives = "rate_hz"', 'gives = "speed"', "'rate.ask.gives' holds 'speed'"),
    ('dtype = "<u2"\nbits = 12', 'dtype = "float"', "'samples.dtype' holds 'float', expected one of"),
    ("bits = 12", "bits = 17", "'samples.bits' holds 17, expected a whole number from 1 to 16"),
    ("bits = 12", "bits = 12\nshift = 5", "'samples.shift' holds 5, expected a whole number from 0 to 4"),
    ("bytes = 64", "bytes = 65", "'packet.bytes' holds 65, expected header and trailer plus a multiple of 6"),
    ("bytes = 64", "bytes = 4", "'packet.bytes' holds 4"),
    ('magic = "a55a"', 'magic = "a55"', "'packet.magic' holds 'a55', expected bytes as pairs"),
    ('magic = "a55a"', 'magic = "a55a a55a a5"', "at most header_bytes = 4"),
    ('magic = "a55a"', "across_transfers = true", "'packet.magic' is missing"),
    ("sequence_at = 2", "sequence_at = 3", "'packet.sequence_at' holds 3, expected a whole number from 0 to 2"),
    ('name = "sync"', 'name = "current"', r"'channels\[3\].name' holds 'current', expected each"),
    ("full_scale = [0.0, 3.3]", "full_scale = [1.0, 1.0]", "a scale that is not zero"),
    ("full_scale = [0.0, 3.3]", "full_scale = [1.0]", "a list of 2 numbers"),
    ("full_scale = [0.0, 3.3]", "full_scale = [0, 3.3]\nscale = 1", "not both"),
    ("full_scale = [0.0, 3.3]", "code_range = [10, 10]", "two whole numbers"),
    ("full_scale = [0.0, 3.3]", "scale = 0", "a scale that is not zero"),
    ("[[start]]", "[start]", r"'start' holds .*tables, each under \[\[start\]\]"),
    ('data = "45"', 'data = "45"\n', "not valid TOML"),
    ('data = "45" }', 'data = "" }', r"'stop\[1\].write.data' holds ''"),
]


@pytest.mark.parametrize(("old", "new", "message"), BAD)
def test_each_mistake_is_one_sentence_with_file_and_key(tmp_path, old, new, message) -> None:
    assert old in GOOD
    with pytest.raises(FileFormatError, match=message) as caught:
        read(tmp_path, GOOD.replace(old, new, 1))
    said = str(caught.value)
    assert said.startswith(str(tmp_path / "board.toml")) and "\n" not in said


@pytest.mark.parametrize("channels", [0, 65])
def test_channels_there_have_to_be(tmp_path, channels) -> None:
    begin, end = GOOD.index("[[channels]]"), GOOD.index("[[start]]")
    many = "".join(f'[[channels]]\nname = "c{k}"\n' for k in range(channels))
    text = GOOD[:begin].replace("bytes = 64", "bytes = 134") + many + GOOD[end:]
    with pytest.raises(FileFormatError, match="1 to 64 channels"):
        read(tmp_path, text)


def test_files_that_are_no_descriptions(tmp_path) -> None:
    for raw, message in ((b"\xff\xfe\x00", "byte 0 is not UTF-8"), (b"x" * 1_000_001, "far too long"),
                         (b"a = [" * 5000, "not valid TOML")):
        path = tmp_path / "x.toml"
        path.write_bytes(raw)
        with pytest.raises(FileFormatError, match=message):
            read_description(path)
    with pytest.raises(FileFormatError, match="there is no such file"):
        read_description(tmp_path / "absent.toml")
    with pytest.raises(FileFormatError, match="cannot be read"):
        read_description(tmp_path)


@given(st.data())
def test_whatever_is_cut_or_changed_the_answer_is_a_description_or_a_sentence(tmp_path_factory, data) -> None:
    lines = GOOD.splitlines()
    at = data.draw(st.integers(0, len(lines) - 1))
    value = data.draw(st.sampled_from(["-1", "0", "1e400", "nan", "[]", "{}", '""', '"a5"', "true",
                                       "99999999999999999999", "1979-05-27", "[[1]]"]))
    key = lines[at].split("=")[0].strip()
    lines[at] = f"{key} = {value}" if "=" in lines[at] else ""
    path = tmp_path_factory.getbasetemp() / "fuzz.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        assert read_description(path).samples.channels
    except FileFormatError as error:
        assert "\n" not in str(error).strip() and error.remedy
