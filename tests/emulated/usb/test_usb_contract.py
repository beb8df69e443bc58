"""Both kinds of USB board keep the contract, on emulated devices and through the real libusb."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

NOTES = Path(__file__).resolve().parents[3] / "hardware_notes"
PACKET, PER_PACKET, RATE_HZ = 512, 126, 20_000
STREAM = """
format = "crankfold.usb-bulk/1"
title = "Harbour streamer"
[device]
vendor_id = 0x1209
product_id = 0x0001
endpoint = 0x81
[rate]
default_hz = 20_000
[samples]
dtype = "<i2"
[packet]
bytes = 512
header_bytes = 8
magic = "a5 5a"
sequence = "<u4"
sequence_at = 4
[[channels]]
name = "current"
unit = "V"
full_scale = [-2.5, 2.5]
[[channels]]
name = "sync"
unit = "V"
full_scale = [-2.5, 2.5]
[[start]]
control = { request = 1 }
[[stop]]
control = { request = 2 }
"""


def broken(outcomes: dict[str, list[str]]) -> dict[str, str]:
    return {rule: detail for rule, (state, detail) in outcomes.items() if state == "broken"}


@pytest.mark.long
def test_the_streaming_board_keeps_the_contract(emulate: Any, tmp_path: Path) -> None:
    rows = np.zeros((RATE_HZ * 60 // PER_PACKET, PACKET), np.uint8)
    rows[:, :2] = (0xA5, 0x5A)
    rows[:, 4:8] = np.arange(len(rows), dtype="<u4")[:, None].view(np.uint8)
    payload, description = tmp_path / "payload.bin", tmp_path / "board.toml"
    payload.write_bytes(rows.tobytes())
    description.write_text(STREAM, encoding="utf-8")
    board = emulate("mock_usb_stream.py", {"payload": str(payload), "bytes_per_s": PACKET * RATE_HZ / PER_PACKET,
                                           "fifo_bytes": 65536, "packet_bytes": PACKET})
    outcomes = board.client("contract", kind="usb-bulk", description=str(description), per_packet=PER_PACKET)
    assert broken(outcomes) == {}
    untried = {rule for rule, (state, _) in outcomes.items() if state == "not tried"}
    assert untried <= {"same-again", "no-such-file", "recognises-calmly", "device-stamps"}


@pytest.mark.long
def test_the_instrument_keeps_the_contract(emulate: Any, tmp_path: Path) -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", (NOTES / "usb-tmc.md").read_text(encoding="utf-8"), re.DOTALL)
    for ours, theirs in (("ACQ:RATE", "SAMP:RATE"), ("STAT:OPER:COND?", "STAT?"), ('answer = "0"', 'answer = "1"'),
                         ("interval = 5", "interval = 4"), ("scale = 8", "scale = 5"), ("offset = 9", "offset = 6"),
                         ("reference = 10", "reference = 7"), ("CHAN", "")):
        assert ours in text
        text = text.replace(ours, theirs)
    text = re.sub(r"setup = .*", 'setup = ["*CLS"]', text)
    description = tmp_path / "digitiser.toml"
    description.write_text(text, encoding="utf-8")
    instrument = emulate("mock_usb_instrument.py", {"busy_polls": 3})
    outcomes = instrument.client("contract", kind="usb-tmc", description=str(description))
    assert broken(outcomes) == {}
    untried = {rule for rule, (state, _) in outcomes.items() if state == "not tried"}
    assert untried <= {"same-again", "no-such-file", "recognises-calmly", "slow-reader", "loss-is-counted",
                       "breaking-is-told", "closes-when-broken", "device-stamps"}
