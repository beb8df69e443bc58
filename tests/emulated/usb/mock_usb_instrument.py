"""The firmware of an emulated bench instrument: USB Test and Measurement Class, and a handful of SCPI commands.

It digitises a counter: sample k of record r of channel c is r * 1000 + k + c. It is written from the class's
specification on its own, so that it checks the client's headers instead of sharing them. The plan may make it
misbehave: `silent` (a query it never answers), `block` ("definite", "indefinite", "text", "cut"), `chunk` (bytes it
sends at most for one request), `pieces` (bytes of one USB transfer at most), `wrong_tag`, `no_clear`, `busy_polls`,
`empty` (parts without end), `unplug_at` (record).
"""

from __future__ import annotations

import errno
import json
import struct
import sys
from pathlib import Path

from gi.repository import GLib
from mock_usb import UsbDevice, run

OUT, IN = 0x02, 0x82
POINTS = 3000


class Instrument:
    """Takes command messages, keeps one answer, hands it out as it is asked for."""

    def __init__(self, plan):
        self.plan = plan
        self.answer = b""
        self.pending = []  # transfers towards the computer
        self.log, self.errors, self.tags = [], [], []
        self.record, self.polls, self.rate = -1, 0, 10000.0
        self.aborts = self.clears = 0
        self.device = None

    # --- the class ---------------------------------------------------------------------------------------------
    def control(self, setup, data):
        request_type, request, value, _index, _length = setup
        if (request_type, request) == (0xA1, 5):
            if self.plan.get("no_clear"):
                return None
            self.answer, self.pending = b"", []
            self.clears += 1
            return b"\x01"
        if (request_type, request) == (0xA1, 6):
            return b"\x01\x00"
        if (request_type, request) == (0xA2, 3):
            self.aborts += 1
            self.answer, self.pending = b"", [b""]  # a short packet ends the aborted transfer
            self.plan.pop("silent", None)
            return bytes((1, value & 0xFF))
        if (request_type, request) == (0xA2, 4):
            return struct.pack("<BxxxI", 1, 0)
        if (request_type, request) == (0xA1, 7):
            return bytes(24)
        return None

    def out(self, endpoint, data):
        kind, tag, inverse, size, attributes = struct.unpack_from("<BBBxIB", data)
        if inverse != 0xFF - tag or tag == 0 or (self.tags and tag == self.tags[-1]):
            self.log.append(f"bad tag {tag}")
            return errno.EPIPE
        self.tags.append(tag)
        if kind == 1:
            if len(data) != 12 + size + (-size % 4) or not attributes & 1:
                self.log.append(f"bad message of {len(data)} bytes for {size}")
                return errno.EPIPE
            self.command(data[12 : 12 + size].decode("ascii").strip())
        elif kind == 2:
            self.request(tag, size)
        return 0

    def request(self, tag, size):
        if self.answer is None:
            return
        size = 0 if self.plan.get("empty") else min(size, self.plan.get("chunk", size))
        data, self.answer = self.answer[:size], self.answer[size:]
        if self.plan.get("wrong_tag"):
            tag = tag % 255 + 1
        head = struct.pack("<BBBxIBxxx", 2, tag, 0xFF - tag, len(data), 0 if self.answer else 1)
        whole = head + data + bytes(-len(data) % 4)
        step = self.plan.get("pieces", len(whole))
        self.pending += [whole[k : k + step] for k in range(0, len(whole), step)]

    def fill(self, endpoint, length):
        if not self.pending:
            return None
        data, rest = self.pending[0][:length], self.pending[0][length:]
        if rest:
            self.pending[0] = rest
        else:
            self.pending.pop(0)
        return 0, data

    def cleared(self, endpoint):
        self.log.append(f"clear {endpoint:#x}")

    def reset(self):
        self.pending = []

    # --- SCPI --------------------------------------------------------------------------------------------------
    def command(self, text):
        self.log.append(text)
        words = text.split()
        if text == self.plan.get("silent"):
            self.answer = None
        elif text == "*IDN?":
            self.reply("HARBOUR WORKSHOP,DIGITISER,7,1.0")
        elif text == "SYST:ERR?":
            self.reply(self.errors.pop(0) if self.errors else '+0,"No error"')
        elif words[0] == "SAMP:RATE":
            self.rate = float(words[1])
        elif text == "SAMP:RATE?":
            self.reply(f"{self.rate:.6E}")
        elif text == "INIT":
            self.record, self.polls = self.record + 1, 0
            if self.record == self.plan.get("unplug_at"):
                GLib.idle_add(self.device.unplug)
        elif text == "STAT?":
            self.polls += 1
            self.reply("1" if self.polls > self.plan.get("busy_polls", 1) else "0")
        elif words[0] == "WAV:PRE?":
            self.reply(f"1,2,{POINTS},{1.0 / self.rate:.9E},2.0E-3,-1.5E+0,100")
        elif words[0] == "LOST?":
            self.reply(str(self.record * 17))
        elif words[0] == "WAV:DATA?":
            self.block(int(words[1]))
        elif text not in ("*CLS", "ABOR"):
            self.errors.append(f'-113,"Undefined header; {text}"')

    def reply(self, text):
        self.answer = text.encode("ascii") + b"\n"

    def block(self, channel):
        values = [(self.record * 1000 + k + channel) & 0x7FFF for k in range(POINTS)]
        data = struct.pack(f">{POINTS}h", *values)
        head = f"#{len(str(len(data)))}{len(data)}".encode("ascii")
        self.answer = {"definite": head + data + b"\n", "indefinite": b"#0" + data + b"\n", "text": b"1.0,2.0,3.0\n",
                       "cut": head + data[:-7] + b"\n"}[self.plan.get("block", "definite")]


def main():
    plan = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    firmware = Instrument(plan)
    identity = {"vendor_id": 0x1209, "product_id": 0x0488, "serial": "DIG7", "interface_class": 0xFE, "subclass": 3,
                "protocol": 1, "packet_bytes": 512, "endpoints": (IN, OUT), "product": "Digitiser"}
    if plan.get("printer"):
        identity.update(interface_class=7, subclass=1)
    device = firmware.device = UsbDevice(identity, firmware)
    device.kernel_driver = plan.get("kernel_driver", False)

    def report():
        return {"log": firmware.log, "aborts": firmware.aborts, "clears": firmware.clears,
                "driver": device.driver_log}

    run(device, {"report": report})


main()
