"""A USB device as the kernel would show it, for programs that run under the umockdev wrapper.

This runs in a process of the system's own Python, where PyGObject is at home. It answers the calls that libusb makes on
the device's node (usbdevfs), so that a client's libusb and pyusb are the real ones. What the device does with the
bytes is a *firmware* object: see `mock_usb_stream` and `mock_usb_instrument`.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import struct
import sys
import time
from collections import deque
from pathlib import Path

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import GLib, UMockdev  # noqa: E402

RESETEP, SETINTERFACE, SETCONFIGURATION = 0x80045503, 0x80085504, 0x80045505
GETDRIVER, SUBMITURB, DISCARDURB = 0x41045508, 0x8038550A, 0x550B
REAPURB, REAPURBNDELAY = 0x4008550C, 0x4008550D
CLAIM, RELEASE, IOCTL, RESET = 0x8004550F, 0x80045510, 0xC0105512, 0x5514
CONNECT = 0x5517
CLEAR_HALT, CAPABILITIES, GET_SPEED = 0x80045515, 0x8004551A, 0x551F
CAN_DO_ALL = 0x1F  # without it libusb cuts each read into pieces of 16 KiB
URB_SIZE = 56
TYPE_CONTROL = 2
HIGH_SPEED = 3
EMPTY_REAP_MS = 1  # answering an empty reap at once would make libusb spin


class Urb:
    """One transfer that the client has queued."""

    def __init__(self, pointer):
        self.address = struct.unpack_from("<Q", bytes(pointer.retrieve()))[0]  # before resolve turns it into ours
        self.data = pointer.resolve(0, URB_SIZE)
        raw = bytes(self.data.retrieve())
        self.kind, self.endpoint = raw[0], raw[1]
        self.length = struct.unpack_from("<i", raw, 24)[0]
        self.buffer = self.data.resolve(16, self.length) if self.length else None

    def payload(self):
        return bytes(self.buffer.retrieve()) if self.buffer else b""

    def finish(self, status, data=b"", *, actual=None, offset=0):
        if data:
            self.buffer.update(offset, data)
        self.data.update(4, struct.pack("<i", -status))
        self.data.update(28, struct.pack("<i", len(data) if actual is None else actual))


class Node(UMockdev.IoctlBase):
    """The calls on the device's node; `device` decides what they do."""

    def __init__(self, device):
        super().__init__()
        self.device = device

    def do_handle_ioctl(self, client):
        answer = self.device.ioctl(client, client.get_request() & 0xFFFFFFFF, client.get_arg())
        if answer is not None:
            code = answer[1]
            client.complete(-1 if code else answer[0], code)
        return True


class UsbDevice:
    """Descriptors, transfers and plugging of one device.

    `identity` holds vendor_id, product_id, serial, interface_class, subclass, protocol, packet_bytes (of the
    endpoints), endpoints; `firmware` has control(setup, data) -> bytes or None (stall), out(endpoint, data) -> errno,
    fill(endpoint, length) -> (status, bytes) or None (nothing yet), cleared(endpoint), reset().
    """

    def __init__(self, identity, firmware):
        self.identity, self.firmware = identity, firmware
        self.bed = UMockdev.Testbed.new()
        self.address = 1
        self.plugged = False
        self.refuse = {}  # name of a call -> errno
        self.waiting, self.done, self.reapers = deque(), deque(), deque()
        self.clears = 0
        self.serving = self.serve_again = False
        self.kernel_driver, self.driver_log = False, []
        self.plug()

    # --- descriptors -------------------------------------------------------------------------------------------
    def descriptors(self):
        me = self.identity
        device = struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0, 0, 0, 64, me["vendor_id"], me["product_id"], 0x0100,
                             1, 2, 3 if me["serial"] else 0, 1)
        endpoints = b"".join(struct.pack("<BBBBHB", 7, 5, address, 2, me["packet_bytes"], 0)
                             for address in me["endpoints"])
        interface = struct.pack("<BBBBBBBBB", 9, 4, 0, 0, len(me["endpoints"]), me["interface_class"], me["subclass"],
                                me["protocol"], 0)
        total = 9 + len(interface) + len(endpoints)
        return device, struct.pack("<BBHBBBBB", 9, 2, total, 1, 1, 0, 0x80, 50) + interface + endpoints

    def string(self, index):
        if index == 0:
            return struct.pack("<BBH", 4, 3, 0x0409)
        text = ("", "Harbour Workshop", self.identity.get("product", "Emulated board"), self.identity["serial"])[index]
        raw = text.encode("utf-16-le")
        return bytes((2 + len(raw), 3)) + raw

    # --- plugging ----------------------------------------------------------------------------------------------
    def plug(self):
        self.address += 1
        me = self.identity
        device, configuration = self.descriptors()
        self.node = f"/dev/bus/usb/001/{self.address:03d}"
        self.path = "/devices/pci0000:00/0000:00:14.0/usb1/1-1"
        lines = [
            f"P: {self.path}", f"N: bus/usb/001/{self.address:03d}", "E: DEVTYPE=usb_device", "E: SUBSYSTEM=usb",
            "E: DRIVER=usb", "E: BUSNUM=001", f"E: DEVNUM={self.address:03d}", f"E: DEVNAME={self.node}",
            f"E: PRODUCT={me['vendor_id']:x}/{me['product_id']:x}/100", "A: busnum=1\\n",
            f"A: devnum={self.address}\\n", f"A: idVendor={me['vendor_id']:04x}\\n",
            f"A: idProduct={me['product_id']:04x}\\n", "A: bConfigurationValue=1\\n", "A: speed=480\\n",
            f"A: serial={me['serial']}\\n", f"H: descriptors={(device + configuration).hex().upper()}", ""]
        self.bed.add_from_string("\n".join(lines) + "\n")
        self.handler = Node(self)
        self.bed.attach_ioctl(self.node, self.handler)
        self.plugged = True
        self.bed.uevent("/sys" + self.path, "add")

    def unplug(self):
        """Go away as the kernel does: pending transfers end, then every call fails, then the device is removed."""
        self.plugged = False
        while self.waiting:
            urb = self.waiting.popleft()
            urb.finish(errno.ESHUTDOWN)
            self.done.append(urb)
        self.wake()
        self.bed.uevent("/sys" + self.path, "remove")
        self.bed.remove_device("/sys" + self.path)

    def forbid(self):
        """Let nobody but the owner open the node, and the rest of the test bed everybody."""
        root = Path(self.bed.get_root_dir())
        for path in (root, *root.rglob("*")):
            if not path.is_symlink():
                path.chmod(0o777)
        (root / self.node.lstrip("/")).chmod(0o600)

    # --- calls -------------------------------------------------------------------------------------------------
    def ioctl(self, client, request, arg):
        if request in (REAPURB, REAPURBNDELAY):
            return self.reap(client, arg)
        if request == DISCARDURB:
            return self.discard(struct.unpack_from("<Q", bytes(arg.retrieve()))[0])
        if not self.plugged:
            return -1, errno.ENODEV
        if request == SUBMITURB:
            return self.submit(Urb(arg))
        if request == CAPABILITIES:
            arg.resolve(0, 4).update(0, struct.pack("<I", CAN_DO_ALL))
            return 0, 0
        if request == CLAIM:
            return 0, self.refuse.get("claim", 0)
        if request == GETDRIVER:
            if not self.kernel_driver:
                return -1, errno.ENODATA
            arg.resolve(0, 260).update(4, b"usbtmc\0")
            return 0, 0
        if request == IOCTL:
            code = struct.unpack_from("<iI", bytes(arg.resolve(0, 16).retrieve()))[1]
            self.kernel_driver = code == CONNECT
            self.driver_log.append("connect" if code == CONNECT else "disconnect")
            return 0, 0
        if request == GET_SPEED:
            return HIGH_SPEED, 0
        if request in (CLEAR_HALT, RESETEP):
            self.clears += 1
            self.firmware.cleared(struct.unpack("<I", bytes(arg.resolve(0, 4).retrieve()))[0])
            GLib.idle_add(self.serve)
            return 0, 0
        if request == RESET:
            self.firmware.reset()
        if request in (RESET, RELEASE, SETINTERFACE, SETCONFIGURATION):
            return 0, 0
        print(f"unanswered call {request:#x}", file=sys.stderr, flush=True)
        return -1, errno.ENOTTY

    def submit(self, urb):
        if urb.kind == TYPE_CONTROL:
            self.control(urb)
            self.done.append(urb)
        else:
            self.waiting.append(urb)
            self.serve()
        self.wake()
        return 0, 0

    def control(self, urb):
        raw = urb.payload()
        request_type, request, value, index, length = struct.unpack_from("<BBHHH", raw)
        if (request_type, request) == (0x80, 6) and value >> 8 == 3:
            answer = self.string(value & 0xFF)
        else:
            answer = self.firmware.control((request_type, request, value, index, length), raw[8:])
        if answer is None:
            urb.finish(errno.EPIPE)
        elif request_type & 0x80:
            urb.finish(0, answer[:length], offset=8)
        else:
            urb.finish(0, actual=length)

    def serve(self):
        """Let the firmware fill or take what is queued, each endpoint in order.

        Writing into the client's memory may let the main loop run and come back here; then the outer call goes round
        again.
        """
        if self.serving:
            self.serve_again = True
            return False
        self.serving = True
        try:
            self.serve_again = True
            while self.serve_again and self.plugged:
                self.serve_again = False
                self.serve_once()
        finally:
            self.serving = False
        self.wake()
        return False

    def serve_once(self):
        blocked = set()
        for urb in list(self.waiting):
            if urb.endpoint in blocked or urb not in self.waiting:
                continue
            outcome = self.offer(urb)
            if not self.plugged:
                return
            if outcome is None:
                blocked.add(urb.endpoint)
                continue
            if urb not in self.waiting:
                continue  # the client took it back meanwhile
            self.waiting.remove(urb)
            urb.finish(*outcome[:2], **({"actual": outcome[2]} if len(outcome) > 2 else {}))
            self.done.append(urb)

    def room(self, endpoint):
        """Bytes that the client's queued transfers can still take."""
        return sum(urb.length for urb in self.waiting if urb.endpoint == endpoint)

    def offer(self, urb):
        if urb.endpoint & 0x80:
            return self.firmware.fill(urb.endpoint, urb.length)
        status = self.firmware.out(urb.endpoint, urb.payload())
        return None if status is None else (status, b"", urb.length)

    def discard(self, address):
        for urb in self.waiting:
            if urb.address == address:
                self.waiting.remove(urb)
                urb.finish(errno.ENOENT)
                self.done.append(urb)
                self.wake()
                return 0, 0
        return -1, errno.EINVAL

    def reap(self, client, arg):
        if self.done:
            urb = self.done.popleft()
            arg.resolve(0, 8).set_ptr(0, urb.data)
            return 0, 0
        if not self.plugged:
            return -1, errno.ENODEV
        entry = (client, arg)
        self.reapers.append(entry)
        GLib.timeout_add(EMPTY_REAP_MS, self.give_up, entry)
        return None

    def wake(self):
        while self.reapers and (self.done or not self.plugged):
            client, arg = self.reapers.popleft()
            result, code = self.reap(client, arg)
            client.complete(-1 if code else result, code)

    def give_up(self, entry):
        if entry in self.reapers:
            self.reapers.remove(entry)
            entry[0].complete(-1, errno.EAGAIN)
        return False


def run(device, commands):
    """Say where the device is, then do what standard input asks, a word and its arguments a line, until it closes."""
    loop = GLib.MainLoop()
    buffer = bytearray()

    def listen(source, condition):
        data = os.read(0, 65536)
        if not data:
            loop.quit()
            return False
        buffer.extend(data)
        while b"\n" in buffer:
            line, _, rest = bytes(buffer).partition(b"\n")
            buffer[:] = rest
            word, *arguments = line.decode().split()
            print(json.dumps(commands[word](*arguments)), flush=True)
        return True

    GLib.io_add_watch(0, GLib.PRIORITY_DEFAULT, GLib.IO_IN | GLib.IO_HUP, listen)
    root = device.bed.get_root_dir()
    print(json.dumps({"root": root}), flush=True)
    try:
        loop.run()
    finally:
        device.bed.clear()
        time.sleep(0)
        shutil.rmtree(root, ignore_errors=True)
