"""A vendor-class board on an emulated kernel interface, through the real libusb and pyusb, to numbered blocks.

The board sends two channels of a counter, so that every sample and every loss is checked by its value.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

PACKET, HEADER, PER_PACKET = 512, 8, 126
FIRMWARE = "mock_usb_stream.py"
INSTANTS = 126 * 2048

DESCRIPTION = """
format = "crankfold.usb-bulk/1"
title = "Harbour two-channel streamer"

[device]
vendor_id = 0x1209
product_id = 0x0001
endpoint = 0x81
silence_s = 20.0
{device}

[rate]
default_hz = 1_000_000
clock_hz = 48_000_000
[[rate.set]]
control = {{ request = 3, value = "divider_low", index = "divider_high" }}
[rate.ask]
request = 4
length = 4
dtype = "<u4"
gives = "divider"

[samples]
dtype = "<i2"
{packet}
[[channels]]
name = "current"
unit = "V"
full_scale = [-2.5, 2.5]
[[channels]]
name = "sync"
unit = "V"
scale = 0.001

[[start]]
control = {{ request = 1 }}
[[stop]]
control = {{ request = 2 }}
"""
NUMBERED = """
[packet]
bytes = 512
header_bytes = 8
magic = "a5 5a"
sequence = "<u4"
sequence_at = 4
"""


def counter(instants: int) -> np.ndarray:
    ramp = (np.arange(instants) & 0x7FFF).astype("<i2")
    return np.column_stack((ramp, -ramp))


def write_numbered(path: Path, instants: int = INSTANTS) -> None:
    packets = instants // PER_PACKET
    rows = np.zeros((packets, PACKET), np.uint8)
    rows[:, :2] = (0xA5, 0x5A)
    rows[:, 4:8] = np.arange(packets, dtype="<u4")[:, None].view(np.uint8)
    rows[:, 8:] = counter(packets * PER_PACKET).reshape(packets, -1).view(np.uint8)
    path.write_bytes(rows.tobytes())


@pytest.fixture
def files(tmp_path: Path) -> Callable[..., tuple[str, str]]:
    def make(*, numbered: bool = True, instants: int = INSTANTS, device: str = "") -> tuple[str, str]:
        payload, description = tmp_path / "payload.bin", tmp_path / "board.toml"
        if numbered:
            write_numbered(payload, instants)
        else:
            payload.write_bytes(counter(instants).tobytes())
        description.write_text(DESCRIPTION.format(packet=NUMBERED if numbered else "", device=device), encoding="utf-8")
        return str(payload), str(description)
    return make


def test_every_sample_arrives_and_the_board_is_told_its_rate(emulate: Any, files: Any) -> None:
    payload, description = files()
    board = emulate(FIRMWARE, {"payload": payload})
    seen = board.client("stream", description=description, until_samples=INSTANTS)
    assert (seen["samples"], seen["wrong"], seen["losses"]) == (INSTANTS, 0, [])
    assert seen["rate_hz"] == 1_000_000 and seen["address"] == "1209:0001:HW0007"
    report = board.tell("report")
    assert report["divider"] == 48
    requests = [entry[1] for entry in report["log"]]
    assert requests[:2] == [3, 4] and requests.count(1) == 1 and requests[-1] == 2


def test_the_packaged_libusb_streams_as_well(emulate: Any, files: Any) -> None:
    payload, description = files()
    seen = emulate(FIRMWARE, {"payload": payload}).client("stream_packaged", description=description,
                                                          until_samples=INSTANTS)
    assert (seen["samples"], seen["wrong"], seen["losses"]) == (INSTANTS, 0, [])
    assert "libusb_package" in seen["library"]


def test_a_rate_the_divider_cannot_give_exactly_is_told_as_it_is(emulate: Any, files: Any) -> None:
    payload, description = files()
    board = emulate(FIRMWARE, {"payload": payload})
    seen = board.client("open_only", description=description, rate="7000")
    assert seen["rate_hz"] == pytest.approx(48e6 / 6857, rel=1e-12)
    assert board.tell("report")["divider"] == 6857


@pytest.mark.parametrize("cut", [0, 8, 12, 256, 508])
def test_short_transfers_lose_nothing_of_a_bare_stream(emulate: Any, files: Any, cut: int) -> None:
    payload, description = files(numbered=False)
    events = [{"at": 40_000 + 7_000 * i, "do": "short", "bytes": cut} for i in range(20)]
    seen = emulate(FIRMWARE, {"payload": payload, "events": events}).client(
        "stream", description=description, until_samples=INSTANTS)
    assert (seen["samples"], seen["wrong"], seen["losses"]) == (INSTANTS, 0, [])


def test_lost_packets_are_counted_exactly(emulate: Any, files: Any) -> None:
    payload, description = files()
    events = [{"at": PACKET * 100, "do": "lose", "bytes": PACKET * 7}, {"at": PACKET * 1000, "do": "lose",
                                                                        "bytes": PACKET}]
    seen = emulate(FIRMWARE, {"payload": payload, "events": events}).client(
        "stream", description=description, until_samples=INSTANTS - 8 * PER_PACKET)
    assert seen["wrong"] == 0 and seen["samples"] == INSTANTS - 8 * PER_PACKET
    assert seen["losses"] == [[107 * PER_PACKET, 7 * PER_PACKET], [1001 * PER_PACKET, PER_PACKET]]


def test_a_stall_is_cleared_and_what_it_cost_is_counted_by_number(emulate: Any, files: Any) -> None:
    payload, description = files()
    events = [{"at": PACKET * 300, "do": "stall"}, {"at": PACKET * 300, "do": "lose", "bytes": PACKET * 3}]
    board = emulate(FIRMWARE, {"payload": payload, "events": events})
    seen = board.client("stream", description=description, until_samples=INSTANTS - 3 * PER_PACKET)
    assert seen["wrong"] == 0 and seen["losses"] == [[303 * PER_PACKET, 3 * PER_PACKET]]
    assert seen["notices"] == [["board-stalled", {"count": 1}]]
    assert board.tell("report")["clears"] >= 1


def test_a_transfer_that_fails_on_the_wire_costs_what_the_numbers_say(emulate: Any, files: Any) -> None:
    payload, description = files()
    events = [{"at": PACKET * 200, "do": "fault"}, {"at": PACKET * 200, "do": "lose", "bytes": PACKET}]
    seen = emulate(FIRMWARE, {"payload": payload, "events": events}).client(
        "stream", description=description, until_samples=INSTANTS - PER_PACKET)
    assert seen["wrong"] == 0 and seen["losses"] == [[201 * PER_PACKET, PER_PACKET]]


def test_an_endpoint_that_stalls_again_and_again_is_given_up(emulate: Any, files: Any) -> None:
    payload, description = files()
    events = [{"at": PACKET * 300, "do": "stall"}] * 20
    seen = emulate(FIRMWARE, {"payload": payload, "events": events}).client(
        "stream", description=description, until_samples=INSTANTS)
    assert seen["error"] == "BoardGarbledError" and "6 transfers in a row ended with stall" in seen["what"]
    assert seen["samples"] == 300 * PER_PACKET


def test_a_second_start_says_that_samples_went_by(emulate: Any, files: Any) -> None:
    payload, description = files()
    board = emulate(FIRMWARE, {"payload": payload, "repeat": 100})
    assert board.client("start_twice", description=description) == [0, None]


@pytest.mark.parametrize(("old", "new", "what"), [
    ("endpoint = 0x81", "endpoint = 0x83", "has no bulk endpoint 0x83"),
    ("endpoint = 0x81", "endpoint = 0x81\ninterface = 2", "lacks a configuration, interface or endpoint"),
    ("endpoint = 0x81", "endpoint = 0x81\nconfiguration = 3", "lacks a configuration, interface or endpoint"),
    ("request = 4", "request = 9", "refused control request 0x09"),
])
def test_a_description_that_does_not_fit_the_board_says_what_is_missing(emulate: Any, files: Any, old: str, new: str,
                                                                        what: str) -> None:
    payload, description = files()
    text = Path(description).read_text(encoding="utf-8")
    Path(description).write_text(text.replace(old, new, 1), encoding="utf-8")
    seen = emulate(FIRMWARE, {"payload": payload}).client("open_only", description=description)
    assert seen["error"] == "BoardGarbledError" and what in seen["what"]


def test_a_stall_without_numbers_is_an_unknown_loss(emulate: Any, files: Any) -> None:
    payload, description = files(numbered=False)
    seen = emulate(FIRMWARE, {"payload": payload, "events": [{"at": 65536 * 4, "do": "stall"}]}).client(
        "stream", description=description, until_samples=INSTANTS)
    assert seen["losses"] == [[65536, None]]
    assert seen["samples"] == INSTANTS


def test_a_board_that_falls_silent_is_reported(emulate: Any, files: Any) -> None:
    payload, description = files()
    text = Path(description).read_text(encoding="utf-8")
    Path(description).write_text(text.replace("silence_s = 20.0", "silence_s = 0.5"), encoding="utf-8")
    seen = emulate(FIRMWARE, {"payload": payload, "events": [{"at": PACKET * 256, "do": "silence"}]}).client(
        "stream", description=description, until_samples=INSTANTS)
    assert seen["samples"] <= 256 * PER_PACKET and seen["error"] == "BoardStalledError"
    assert re.search(r"has sent nothing for \d+\.\d s", seen["what"])


def test_unplugged_while_streaming_and_plugged_in_again(emulate: Any, files: Any, long_s: float) -> None:
    payload, description = files()
    board = emulate(FIRMWARE, {"payload": payload, "events": [{"at": PACKET * 700, "do": "unplug"}]})
    with board.start_client("unplug_and_replug", description=description, until_samples=INSTANTS) as client:
        seen = json.loads(client.stdout.readline())
        assert board.tell("replug") == "back"
        out, _ = client.communicate("go\n")
    assert seen["first"]["error"] == "BoardDisconnectedError" and seen["first"]["wrong"] == 0
    assert 512 * PER_PACKET <= seen["first"]["samples"] <= 700 * PER_PACKET
    assert seen["closing_s"] < long_s
    assert seen["gone"]["error"] == "BoardNotFoundError"
    again = json.loads(out)
    assert again["wrong"] == 0 and again["samples"] >= 2000 and again["losses"] == []


def test_a_reader_that_pauses_loses_exactly_what_the_board_could_not_hold(emulate: Any, files: Any) -> None:
    """2 x 250 kS/s; queue of 2 x 4 KiB and 16 KiB in the board: half a second away costs most of 500 kB."""
    payload, description = files(device="transfer_bytes = 4096\ntransfers_queued = 2")
    board = emulate(FIRMWARE, {"payload": payload, "repeat": 8, "bytes_per_s": 1_000_000, "fifo_bytes": 16384,
                               "packet_bytes": PACKET})
    seen = board.client("stream", description=description, until_samples=INSTANTS // 2, pause_at=INSTANTS // 8,
                        pause_s=0.5)
    lost = sum(loss for _, loss in seen["losses"])
    report = board.tell("report")
    assert seen["wrong"] == 0 and lost > 50_000
    assert report["lost_packets"] * PER_PACKET >= lost  # some are lost after the last block that was read


def test_sustained_stream_loses_nothing(emulate: Any, files: Any) -> None:
    """Two channels at 1 MS/s each, 4 MB/s; the board holds four seconds, as others may need this machine too."""
    payload, description = files()
    board = emulate(FIRMWARE, {"payload": payload, "repeat": 64, "bytes_per_s": 4_000_000, "fifo_bytes": 16 << 20,
                               "packet_bytes": PACKET})
    seen = board.client("stream", description=description, until_samples=INSTANTS - 20000)
    assert (seen["wrong"], seen["losses"]) == (0, [])


def test_a_board_that_may_not_be_opened_says_which_rule_is_missing(emulate: Any, files: Any) -> None:
    payload, _ = files()
    seen = emulate(FIRMWARE, {"payload": payload, "forbidden": True}).client("open_as_nobody")
    assert seen["error"] == "BoardPermissionError", seen
    assert 'ATTR{idVendor}=="1209", ATTR{idProduct}=="0001", TAG+="uaccess"' in seen["remedy"]
    assert "/etc/udev/rules.d/70-crankfold.rules" in seen["remedy"]


def test_a_board_that_another_program_holds_is_busy(emulate: Any, files: Any) -> None:
    payload, description = files()
    seen = emulate(FIRMWARE, {"payload": payload, "refuse": {"claim": 16}}).client("open_only", description=description)
    assert seen["error"] == "BoardBusyError" and "close that program" in seen["remedy"]


@pytest.mark.parametrize(("address", "error"), [
    ("1209:0001:HW0007", None), ("1209:0001", None), ("1209:0001@1-1", None),
    ("1209:0001:HW0008", "BoardNotFoundError"),
    ("1209:0002", "SettingError"), ("COM3", "SettingError"),
])
def test_addresses(emulate: Any, files: Any, address: str, error: str | None) -> None:
    payload, description = files()
    seen = emulate(FIRMWARE, {"payload": payload}).client("open_only", description=description, address=address)
    assert seen.get("error") == error
    if error == "BoardNotFoundError":
        assert "1209:0001:HW0007" in seen["remedy"]


def test_discovery_finds_the_described_board_and_names_a_broken_description(emulate: Any, files: Any, tmp_path: Path,
                                                                            monkeypatch: Any) -> None:
    payload, description = files()
    folder = tmp_path / "crankfold" / "usb-bulk"
    folder.mkdir(parents=True)
    (folder / "streamer.toml").write_text(Path(description).read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "broken.toml").write_text("format = 3", encoding="utf-8")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    board = emulate(FIRMWARE, {"payload": payload})
    broken, found = board.client("discover")
    assert "line 1: the key 'format' holds 3" in broken["problem"] and "crankfold.usb-bulk/1" in broken["problem"]
    assert found == {"address": "1209:0001:HW0007", "title": "Harbour two-channel streamer", "serial": "HW0007",
                     "problem": "", "fix": "", "device": "",
                     "can": {"bits": 16, "highest_rate_hz": 1_000_000.0, "inputs": 2}}
    assert board.client("open_only", description="", address=found["address"])["rate_hz"] == 1_000_000
