"""Finding a USB device, with every failure told in a sentence with its cure.

The address of a device is ``VID:PID``, ``VID:PID:SERIAL``, or ``VID:PID@BUS-PORT`` for twins that carry no serial
number; VID and PID are four hexadecimal digits, as ``lsusb`` prints them.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.acquire import (
    AcquireError,
    BoardBusyError,
    BoardDisconnectedError,
    BoardFound,
    BoardGarbledError,
    BoardNotFoundError,
    BoardPermissionError,
    BoardStalledError,
    Capabilities,
    SettingError,
)
from crankfold.analysis import quoted

if TYPE_CHECKING:
    pass

RULES_FILE = "/etc/udev/rules.d/70-crankfold.rules"
WINDOWS_HELP = "bind the WinUSB driver to the board (hardware_notes/windows-drivers.md)"
_ADDRESS = re.compile(r"(?P<vid>[0-9a-f]{4}):(?P<pid>[0-9a-f]{4})(?::(?P<serial>.+)|@(?P<place>[0-9]+-[0-9.]+))?",
                      re.IGNORECASE)


@dataclass(frozen=True)
class UsbAddress:
    """Which device is meant: ids, and the serial number or the place in the tree of hubs when twins are attached."""

    vendor_id: int
    product_id: int
    serial: str = ""
    place: str = ""

    @classmethod
    def parse(cls, text: str) -> UsbAddress:
        """Return the address that `text` writes.

        Raises
        ------
        SettingError
            It is not of the form VID:PID, VID:PID:SERIAL or VID:PID@BUS-PORT.

        Examples
        --------
        >>> UsbAddress.parse("1209:0001:HW7")
        UsbAddress(vendor_id=4617, product_id=1, serial='HW7', place='')
        """
        match = _ADDRESS.fullmatch(text.strip())
        if match is None:
            raise SettingError(f"{quoted(text)} is not the address of a USB device",
                               "write VID:PID or VID:PID:SERIAL, four hexadecimal digits each, like 1209:0001:HW7")
        return cls(int(match["vid"], 16), int(match["pid"], 16), match["serial"] or "", match["place"] or "")

    def __str__(self) -> str:
        tail = f":{self.serial}" if self.serial else f"@{self.place}" if self.place else ""
        return f"{self.vendor_id:04x}:{self.product_id:04x}{tail}"


def libusb_backend() -> Any:
    """Return pyusb's libusb backend, from the system's library or from the one in ``libusb-package``.

    Raises
    ------
    AcquireError
        There is no libusb on this computer.
    """
    import logging

    from usb.backend import libusb1

    logging.getLogger("usb").addHandler(logging.NullHandler())  # our own sentence is enough
    backend = libusb1.get_backend()
    if backend is None:
        with contextlib.suppress(ImportError):
            import libusb_package

            backend = libusb1.get_backend(find_library=libusb_package.find_library)
    if backend is None:
        raise AcquireError("there is no libusb on this computer, so no USB board can be reached", _libusb_cure())
    return backend


def _libusb_cure() -> str:
    if sys.platform == "win32":
        return f"run: pip install libusb-package, and {WINDOWS_HELP}"
    if sys.platform == "darwin":
        return "run: pip install libusb-package"
    return "run: sudo apt install libusb-1.0-0, or: pip install libusb-package"


def attached(vendor_id: int | None = None, product_id: int | None = None) -> tuple[Any, ...]:
    """Return pyusb's devices with these ids, all of them when none is given."""
    import usb.core

    wanted = {"idVendor": vendor_id, "idProduct": product_id}
    found = usb.core.find(find_all=True, backend=libusb_backend(),
                          **{key: value for key, value in wanted.items() if value is not None})
    return tuple(found)


def place_of(device: Any) -> str:
    """Return where the device hangs, ``"1-4.2"``: bus, then the port of each hub."""
    return f"{device.bus}-{'.'.join(str(port) for port in device.port_numbers or (0,))}"


def serial_of(device: Any) -> str:
    """Return the device's serial number, empty when it has none or nobody may read it."""
    import usb.core

    if not device.iSerialNumber:
        return ""
    with contextlib.suppress(OSError):  # Linux tells what the kernel read at plugging in, without opening the device
        return Path(f"/sys/bus/usb/devices/{place_of(device)}/serial").read_text(encoding="utf-8").strip()
    with contextlib.suppress(usb.core.USBError, ValueError, NotImplementedError):
        return str(device.serial_number or "").strip("\0 ")
    return ""


def address_of(device: Any) -> UsbAddress:
    """Return what opens the same device again: by serial number where it has one, else by its place."""
    serial = serial_of(device)
    return UsbAddress(device.idVendor, device.idProduct, serial, "" if serial else place_of(device))


def found(device: Any, title: str, can: Capabilities | None = None) -> BoardFound:
    """Return the entry of a list of boards for this device; it is looked at and not opened."""
    address = address_of(device)
    node = Path(f"/dev/bus/usb/{device.bus:03d}/{device.address:03d}")
    if node.exists() and not os.access(node, os.R_OK | os.W_OK):
        error = explain(OSError(errno.EACCES, "no permission"), address, "being opened")
        return BoardFound(str(address), title, address.serial, error.what, error.remedy,
                          can=can or Capabilities())
    return BoardFound(str(address), title, address.serial, can=can or Capabilities())


def find_device(address: UsbAddress) -> Any:
    """Return the one device that `address` means.

    Raises
    ------
    BoardNotFoundError
        None answers to it, or several do.
    """
    ids = f"{address.vendor_id:04x}:{address.product_id:04x}"
    same_kind = attached(address.vendor_id, address.product_id)
    matching = [device for device in same_kind if _is_meant(device, address)]
    if len(matching) == 1:
        return matching[0]
    named = ", ".join(str(address_of(device)) for device in same_kind)
    if matching:
        raise BoardNotFoundError(f"{len(matching)} USB devices {ids} are attached", f"name one of {named}")
    if same_kind:
        raise BoardNotFoundError(f"no USB device {address} is attached", f"attached are {named}")
    raise BoardNotFoundError(f"no USB device {address} is attached",
                             "plug it in, check that its cable carries data, and look for it with lsusb")


def _is_meant(device: Any, address: UsbAddress) -> bool:
    if address.place:
        return place_of(device) == address.place
    return not address.serial or serial_of(device) == address.serial


def udev_rule(vendor_id: int, product_id: int) -> str:
    """Return the udev rule that lets the person at the screen open these devices."""
    return (f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor_id:04x}", ATTR{{idProduct}}=="{product_id:04x}", '
            'TAG+="uaccess"')


def explain(error: Exception, address: UsbAddress, doing: str) -> AcquireError:
    """Return the sentence for what pyusb raised while `doing` something with the device at `address`."""
    code = getattr(error, "errno", None)
    board = f"USB board {address}"
    if isinstance(error, NotImplementedError):
        cure = WINDOWS_HELP if sys.platform == "win32" else "check the board's cable and its description"
        return BoardPermissionError(f"{board}: this computer's USB driver cannot be used for {doing}", cure)
    if code == errno.EACCES:
        return BoardPermissionError(f"{board}: this user may not open it", _permission_cure(address))
    if code == errno.EBUSY:
        return BoardBusyError(f"{board}: another program holds it", "close that program, or unplug the board and "
                              "plug it in again")
    if code in (errno.ENODEV, errno.ESHUTDOWN):
        return BoardDisconnectedError(f"{board} went away while {doing}", "plug it in again and repeat; if it happens "
                                      "while cranking, power it from a charged battery or a hub of its own")
    if code == errno.ETIMEDOUT:
        return BoardStalledError(f"{board} did not answer in time while {doing}", "unplug it, plug it in again and "
                                 "repeat")
    if code == errno.EPIPE:
        return BoardGarbledError(f"{board} refused {doing}", "compare the description with the board's manual")
    return BoardGarbledError(f"{board}: {doing} failed ({error})", "try another cable or port, and check the "
                             "description")


def _permission_cure(address: UsbAddress) -> str:
    if sys.platform == "win32":
        return WINDOWS_HELP
    rule = udev_rule(address.vendor_id, address.product_id)
    return (f"write the line {rule} into {RULES_FILE}, run: sudo udevadm control --reload && sudo udevadm trigger, "
            "then unplug the board and plug it in again")
