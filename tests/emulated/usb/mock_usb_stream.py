"""The firmware of an emulated board that streams the bytes of a file through one bulk endpoint.

Arguments: a JSON file with `payload` (path), how often to `repeat` it, and what goes wrong: `events`, each
`{"at": byte, "do": "stall" | "fault" | "short" | "unplug" | "silence" | "lose", ...}`. With `bytes_per_s` the board
makes data at that pace and holds `fifo_bytes` of them; what does not fit is lost in whole `packet_bytes`, as a real
board would. Vendor requests: 1 start, 2 stop, 3 divider (value: low half, index: high half), 4 what is your divider,
5 unplug and come back after so many milliseconds, 6 lose so many packets.
"""

from __future__ import annotations

import errno
import json
import mmap
import struct
import sys
import time
from pathlib import Path

from gi.repository import GLib
from mock_usb import UsbDevice, run

TICK_MS = 1
DATA_IN, COMMANDS_OUT = 0x81, 0x01


class Streamer:
    """Plays the file; the place in it is `position`, events happen when it is reached."""

    def __init__(self, plan):
        self.plan = plan
        with Path(plan["payload"]).open("rb") as file:
            self.payload = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        self.total = len(self.payload) * plan.get("repeat", 1)
        self.events = sorted(plan.get("events", []), key=lambda event: event["at"])
        self.position = 0
        self.streaming = False
        self.halted = False
        self.divider = 0
        self.lost = 0
        self.log = []
        self.device = None

    def control(self, setup, data):
        request_type, request, value, index, _length = setup
        self.log.append([request_type, request, value, index, data.hex()])
        if request == 1:
            self.begin()
        elif request == 2:
            self.streaming = False
        elif request == 3:
            self.divider = value | index << 16
        elif request == 4:
            return struct.pack("<I", self.divider)
        elif request == 5:
            GLib.timeout_add(1, self.pulled, value)
        elif request == 6:
            self.position += value * self.plan["packet_bytes"]
        else:
            return None
        return b""

    def begin(self):
        self.streaming, self.began = True, time.monotonic()
        self.start_position = self.position
        if "bytes_per_s" in self.plan:
            GLib.timeout_add(TICK_MS, self.tick)
        GLib.idle_add(self.device.serve)

    def pulled(self, back_after_ms):
        self.device.unplug()
        self.streaming = False
        GLib.timeout_add(back_after_ms, self.put_back)
        return False

    def put_back(self):
        self.device.plug()
        return False

    def tick(self):
        self.device.serve()
        return self.streaming and self.device.plugged

    def out(self, endpoint, data):
        self.log.append(["out", data.hex()])
        if data == b"\x53":
            self.begin()
        elif data == b"\x45":
            self.streaming = False
        return 0

    def made(self):
        """Bytes the converter has produced so far."""
        if "bytes_per_s" not in self.plan:
            return self.total
        made = self.start_position + int((time.monotonic() - self.began) * self.plan["bytes_per_s"])
        room = self.plan["fifo_bytes"] + self.device.room(DATA_IN)
        overflow = made - self.position - room
        if overflow > 0:
            packets = -(-overflow // self.plan["packet_bytes"])
            self.position += packets * self.plan["packet_bytes"]
            self.lost += packets
        return min(self.total, made)

    def fill(self, endpoint, length):
        if not self.streaming:
            return None
        if self.halted:
            return None
        while True:
            limit = self.made()
            if self.events and self.events[0]["at"] <= self.position:
                outcome = self.happen(self.events.pop(0))
                if outcome == "again":
                    continue
                return outcome
            wanted = min(length, self.total - self.position)
            if self.events:
                wanted = min(wanted, self.events[0]["at"] - self.position)
            if wanted <= 0 or limit - self.position < wanted:
                return None
            return 0, self.take(wanted)

    def take(self, wanted):
        size = len(self.payload)
        start = self.position % size
        data = self.payload[start : start + wanted]
        while len(data) < wanted:
            data += self.payload[: wanted - len(data)]
        self.position += wanted
        return data

    def happen(self, event):
        what = event["do"]
        if what == "lose":
            self.position += event["bytes"]
            return "again"
        if what == "short":
            return 0, self.take(event.get("bytes", 0))
        if what == "stall":
            self.halted = True
            return errno.EPIPE, b""
        if what == "fault":
            return errno.EPROTO, b""
        if what == "silence":
            self.streaming = False
            return None
        if what == "unplug":
            GLib.idle_add(self.device.unplug)
            self.streaming = False
            return None
        raise ValueError(what)

    def cleared(self, endpoint):
        self.halted = False

    def reset(self):
        self.halted = False


def main():
    plan = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    firmware = Streamer(plan)
    identity = {"vendor_id": 0x1209, "product_id": 0x0001, "serial": plan.get("serial", "HW0007"),
                "interface_class": 0xFF, "subclass": 0, "protocol": 0, "packet_bytes": 512,
                "endpoints": (DATA_IN, COMMANDS_OUT), "product": "Harbour two-channel streamer"}
    device = firmware.device = UsbDevice(identity, firmware)
    device.refuse = plan.get("refuse", {})
    if plan.get("forbidden"):
        device.forbid()

    def unplug():
        device.unplug()
        firmware.streaming = False
        return "gone"

    def replug():
        firmware.position = 0
        firmware.halted = False
        device.plug()
        return "back"

    def report():
        return {"position": firmware.position, "lost_packets": firmware.lost, "log": firmware.log,
                "clears": device.clears, "divider": firmware.divider}

    run(device, {"unplug": unplug, "replug": replug, "report": report})


main()
