"""From a virtual engine's current and spark, through emulated USB and the real libusb, to the verdict by name.

The engine is cranked by the virtual board; its codes are put into numbered packets, sent in real time by an emulated
USB device with short packets and a stall on the way, and judged by a process that knows only the board's description.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crankfold.plugins.virtual import board as virtual_board

FIRMWARE, PACKET, PER_PACKET = "mock_usb_stream.py", 256, 62
DESCRIPTION = """
format = "crankfold.usb-bulk/1"
title = "Harbour two-channel streamer"
[device]
vendor_id = 0x1209
product_id = 0x0001
endpoint = 0x81
[rate]
default_hz = 10_000
[samples]
dtype = "<i2"
[packet]
bytes = 256
header_bytes = 8
magic = "a5 5a"
sequence = "<u4"
sequence_at = 4
"""


def channel_table(channel: Any) -> str:
    return (f'[[channels]]\nname = "{channel.name}"\nunit = "{channel.unit}"\nscale = {channel.scale!r}\n'
            f"offset = {channel.offset!r}\ncode_range = [{channel.code_range[0]}, {channel.code_range[1]}]\n")


def crank(address: str) -> tuple[np.ndarray, Any, Any]:
    """Return codes, channels and truth of one cranking of the virtual board."""
    with virtual_board.open_board(address, {"pace": "flat"}) as board:
        board.start()
        pieces = []
        while not board.finished:
            block = board.read(0.1)
            if block is not None:
                pieces.append(block.codes)
        return np.concatenate(pieces), board.info, board.truths[0]


def in_packets(codes: np.ndarray) -> bytes:
    count = len(codes) // PER_PACKET
    rows = np.zeros((count, PACKET), np.uint8)
    rows[:, :2] = (0xA5, 0x5A)
    rows[:, 4:8] = np.arange(count, dtype="<u4")[:, None].view(np.uint8)
    rows[:, 8:] = np.ascontiguousarray(codes[: count * PER_PACKET].astype("<i2")).reshape(count, -1).view(np.uint8)
    return rows.tobytes()


def test_a_dead_cylinder_is_named_through_usb(emulate: Any, tmp_path: Path) -> None:
    codes, info, truth = crank("engine=pump,dead=3,sync=waste-spark,quiet=1.8,crank=3.5,after=0.8")
    payload, description = tmp_path / "engine.bin", tmp_path / "board.toml"
    payload.write_bytes(in_packets(codes))
    commands = "[[start]]\ncontrol = { request = 1 }\n[[stop]]\ncontrol = { request = 2 }\n"
    description.write_text(DESCRIPTION + "".join(map(channel_table, info.channels)) + commands, encoding="utf-8")
    events = [{"at": 256 * k, "do": "short", "bytes": 256} for k in (100, 333, 500)]
    events += [{"at": 256 * 200, "do": "stall"}, {"at": len(codes) // PER_PACKET * 256, "do": "unplug"}]
    board = emulate(FIRMWARE, {"payload": str(payload), "events": events, "bytes_per_s": PACKET * 10_000 / PER_PACKET,
                               "fifo_bytes": 1 << 20, "packet_bytes": PACKET})
    seen = board.client("verdict", board="usb-bulk:1209:0001", settings={"description": str(description)},
                        order="1-3-4-2", sync="waste-spark:1")
    assert seen["error"] == "BoardDisconnectedError"  # the unplugging at the end; the capture before it is whole
    assert (seen["verdict"], seen["low"], seen["captures"], seen["gaps"]) == ("uneven", [3], 1, 0)
    for cylinder, true_percent in zip("1342", truth.relative_percent, strict=True):
        assert seen["percent"][cylinder] == pytest.approx(true_percent, abs=3.0)


def test_nothing_is_lost_at_two_million_samples_a_second_while_a_capture_is_analysed(emulate: Any,
                                                                                      tmp_path: Path) -> None:
    """Two channels at 1 MS/s each through recorder, ring and trigger, while the same process analyses all the time."""
    rate_hz, seconds = 1_000_000, 3
    codes, info, _ = crank("engine=pump,low=2:60,quiet=1.5,crank=3.0,after=0.5")
    np.save(tmp_path / "crank.npy", codes)
    quiet = np.random.default_rng(5).integers(-8, 9, (rate_hz * seconds, 2)).astype("<i2")
    payload, description = tmp_path / "quiet.bin", tmp_path / "board.toml"
    payload.write_bytes(in_packets(quiet))
    text = DESCRIPTION.replace("10_000", str(rate_hz))
    channels = '[[channels]]\nname = "current"\nunit = "V"\nscale = 0.001\n[[channels]]\nname = "sync"\nunit = "V"\n'
    commands = "[[start]]\ncontrol = { request = 1 }\n[[stop]]\ncontrol = { request = 2 }\n"
    description.write_text(text + channels + commands, encoding="utf-8")
    board = emulate(FIRMWARE, {"payload": str(payload), "bytes_per_s": PACKET * rate_hz / PER_PACKET,
                               "fifo_bytes": 16 << 20, "packet_bytes": PACKET})
    seen = board.client("stream_while_analysing", description=str(description), crank=str(tmp_path / "crank.npy"),
                        scale=info.channels[0].scale, rate_hz=info.rate_hz, until_samples=rate_hz * seconds - 40_000)
    assert seen["losses"] == [] and seen["samples"] >= rate_hz * seconds - 40_000, seen
    assert seen["analyses"] >= 1 and set(seen["verdicts"]) == {"uneven"}
    assert board.tell("report")["lost_packets"] == 0
