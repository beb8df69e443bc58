"""A bench instrument on an emulated kernel interface, through the real libusb and pyusb, to records."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

FIRMWARE = "mock_usb_instrument.py"
DESCRIPTION = """
format = "crankfold.usb-tmc/1"
title = "Digitiser of the Harbour Workshop"
[device]
vendor_id = 0x1209
product_id = 0x0488
idn = "DIGITISER"
errors = "SYST:ERR?"
timeout_s = 20.0
[rate]
default_hz = 10_000
min_hz = 10
max_hz = 100_000
set = "SAMP:RATE {rate_hz}"
ask = "SAMP:RATE?"
[record]
setup = ["*CLS"]
arm = ["INIT"]
ready = "STAT?"
ready_answer = "1"
poll_s = 0.01
stop = ["ABOR"]
[samples]
dtype = ">i2"
[preamble]
ask = "WAV:PRE? {source}"
interval = 4
scale = 5
offset = 6
reference = 7
[[channels]]
name = "current"
source = "1"
read = "WAV:DATA? {source}"
code_range = [-32768, 32767]
[[channels]]
name = "sync"
source = "2"
read = "WAV:DATA? {source}"
"""


@pytest.fixture
def describe(tmp_path: Path) -> Callable[..., str]:
    def write(*changes: tuple[str, str]) -> str:
        text = DESCRIPTION
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "digitiser.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)
    return write


def test_records_with_scale_rate_and_unknown_loss_between_them(emulate: Any, describe: Any) -> None:
    instrument = emulate(FIRMWARE, {})
    seen = instrument.client("records", description=describe(), count=3, rate="20000")
    assert (seen["wrong"], seen["samples"], seen["losses"]) == (0, [3000] * 3, [0, None, None])
    assert seen["rate_hz"] == pytest.approx(20_000.0, rel=1e-9) and seen["address"] == "1209:0488:DIG7"
    assert seen["scale"] == 2e-3 and seen["offset"] == pytest.approx(-1.5 - 100 * 2e-3) and seen["dtype"] == "int16"
    log = instrument.tell("report")["log"]
    assert not [entry for entry in log if entry.startswith("bad")]
    assert log[log.index("*IDN?") :][:4] == ["*IDN?", "*CLS", "SAMP:RATE 20000", "SYST:ERR?"] and log[-1] == "ABOR"


@pytest.mark.parametrize("plan", [
    {"block": "indefinite"}, {"chunk": 500}, {"chunk": 1001, "block": "indefinite"}, {"pieces": 512}, {"pieces": 64},
    {"no_clear": True}, {"busy_polls": 5},
])
def test_every_lawful_way_of_answering_gives_the_same_samples(emulate: Any, describe: Any, plan: Any) -> None:
    seen = emulate(FIRMWARE, plan).client("records", description=describe(), count=2)
    assert seen.get("wrong") == 0 and seen["samples"] == [3000, 3000], seen


def test_the_kernels_own_driver_steps_aside_and_comes_back(emulate: Any, describe: Any) -> None:
    instrument = emulate(FIRMWARE, {"kernel_driver": True})
    assert instrument.client("records", description=describe(), count=1)["samples"] == [3000]
    assert instrument.tell("report")["driver"] == ["disconnect", "connect"]


def test_records_that_follow_each_other(emulate: Any, describe: Any) -> None:
    text = describe(("poll_s = 0.01", "poll_s = 0.01\ncontiguous = true"))
    assert emulate(FIRMWARE, {}).client("records", description=text, count=3)["losses"] == [0, 0, 0]


def test_an_instrument_that_counts_its_loss(emulate: Any, describe: Any) -> None:
    text = describe(("poll_s = 0.01", 'poll_s = 0.01\nlost = "LOST?"'))
    assert emulate(FIRMWARE, {}).client("records", description=text, count=3)["losses"] == [0, 17, 34]


def test_a_query_without_answer_is_aborted_and_reported(emulate: Any, describe: Any, long_s: float) -> None:
    instrument = emulate(FIRMWARE, {"silent": "WAV:DATA? 2"})
    seen = instrument.client("records", description=describe(("timeout_s = 20.0", "timeout_s = 0.5")), count=1)
    assert seen["error"] == "BoardStalledError" and "'WAV:DATA? 2' within 0.5 s" in seen["what"]
    assert seen["seconds"] < long_s and instrument.tell("report")["aborts"] == 1
    again = instrument.client("records", description=describe(), count=1)
    assert again["wrong"] >= 0 and again["samples"] == [3000]


@pytest.mark.parametrize(("plan", "changes", "error", "message"), [
    ({"block": "text"}, (), "BoardGarbledError", "does not begin with # and a digit"),
    ({"block": "cut"}, (), "BoardGarbledError", "is cut: 6000 bytes were announced and 5994 came"),
    ({"empty": True}, (), "BoardGarbledError", "sends an answer without end"),
    ({"unplug_at": 0}, (), "BoardDisconnectedError", "went away"),
    ({"wrong_tag": True}, (), "BoardGarbledError", "answers request"),
    ({}, (("*CLS", "*CLSX"),), "BoardGarbledError", "Undefined header; *CLSX"),
    ({}, (("DIGITISER", "SPECTRUM"),), "BoardGarbledError", "calls itself 'HARBOUR WORKSHOP,DIGITISER,7,1.0'"),
    ({}, (("interval = 4", "interval = 3"),), "BoardGarbledError", "says 10000 samples a second and 3000 s between"),
    ({}, (("scale = 5", "scale = 50"),), "BoardGarbledError", "lacks a number as field 50"),
    ({}, (('dtype = ">i2"', 'dtype = ">f8"'), ("code_range = [-32768, 32767]\n", "")), None, ""),
    ({"printer": True}, (), "BoardNotFoundError", "has no test-and-measurement interface"),
])
def test_what_goes_wrong_is_said(emulate: Any, describe: Any, plan: Any, changes: Any, error: str | None,
                                 message: str) -> None:
    seen = emulate(FIRMWARE, plan).client("records", description=describe(*changes), count=1)
    if error is None:
        assert seen["samples"] == [750] and seen["dtype"] == "float64"
    else:
        assert seen["error"] == error and message in seen["what"]


def test_the_recorder_waits_for_a_slow_record(emulate: Any, describe: Any) -> None:
    """A record takes half a second here; a live board silent for 0.2 s would be given up."""
    seen = emulate(FIRMWARE, {"busy_polls": 40}).client("recorded", description=describe(), stall_s=0.2)
    assert seen["samples"] == 6000 and seen["seconds"] > 0.8, seen


def test_discovery_lists_an_instrument_that_nothing_describes(emulate: Any, monkeypatch: Any, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    (found,) = emulate(FIRMWARE, {}).client("discover")
    assert found["address"] == "1209:0488:DIG7" and "nothing describes" in found["problem"]
    assert str(tmp_path) in found["fix"]
