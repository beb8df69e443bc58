"""Addresses, rules and sentences of USB devices; what needs a device is tried on an emulated one elsewhere."""

from __future__ import annotations

import errno
import sys

import pytest
import usb.backend.libusb1
import usb.core

from crankfold.acquire import errors
from crankfold.plugins.usb import bulk_board as usb_bulk
from crankfold.plugins.usb import tmc_board as usb_tmc
from crankfold.plugins.usb.device import UsbAddress, explain, libusb_backend, udev_rule

BOARD = UsbAddress(0x1209, 1, "HW7")


@pytest.mark.parametrize(("text", "address"), [
    ("1209:0001", UsbAddress(0x1209, 1)), ("1209:0001:HW7", BOARD), (" 1209:00aB ", UsbAddress(0x1209, 0xAB)),
    ("1209:0001:a:b c", UsbAddress(0x1209, 1, "a:b c")), ("1209:0001@1-4.2", UsbAddress(0x1209, 1, place="1-4.2")),
])
def test_addresses_there_and_back(text, address) -> None:
    assert UsbAddress.parse(text) == address
    assert UsbAddress.parse(str(address)) == address


@pytest.mark.parametrize("text", ["", "1209", "1209:1", "COM3", "/dev/ttyUSB0", "12099:0001", "1209:0001:",
                                  "1209:0001@x"])
def test_what_is_no_address(text) -> None:
    with pytest.raises(errors.SettingError, match="VID:PID:SERIAL"):
        UsbAddress.parse(text)


@pytest.mark.parametrize(("code", "kind", "remedy"), [
    (errno.EACCES, errors.BoardPermissionError, 'TAG+="uaccess"'),
    (errno.EBUSY, errors.BoardBusyError, "close that program"),
    (errno.ENODEV, errors.BoardDisconnectedError, "plug it in again"),
    (errno.ETIMEDOUT, errors.BoardStalledError, "unplug it"), (errno.EPIPE, errors.BoardGarbledError, "manual"),
    (errno.EIO, errors.BoardGarbledError, "another cable"), (None, errors.BoardGarbledError, "another cable"),
])
def test_every_failure_has_its_sentence(code, kind, remedy) -> None:
    error = explain(usb.core.USBError("libusb says so", -1, code), BOARD, "being opened")
    assert type(error) is kind and remedy in error.remedy and "1209:0001:HW7" in error.what


def test_no_driver_on_windows(monkeypatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    error = explain(NotImplementedError("Operation not supported"), BOARD, "being opened")
    assert type(error) is errors.BoardPermissionError and "WinUSB" in error.remedy
    denied = explain(usb.core.USBError("Access denied", -3, errno.EACCES), BOARD, "being opened")
    assert "WinUSB" in denied.remedy and "udev" not in denied.remedy


def test_the_rule_names_the_device() -> None:
    rule = udev_rule(0x1209, 0xAB)
    assert rule == 'SUBSYSTEM=="usb", ATTR{idVendor}=="1209", ATTR{idProduct}=="00ab", TAG+="uaccess"'


@pytest.mark.parametrize(("platform", "cure"), [("linux", "sudo apt install libusb-1.0-0"), ("darwin", "pip install"),
                                                ("win32", "WinUSB")])
def test_without_libusb_the_cure_is_told(monkeypatch, platform, cure) -> None:
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda find_library=None: None)
    monkeypatch.setattr(sys, "platform", platform)
    with pytest.raises(errors.AcquireError, match="no libusb") as caught:
        libusb_backend()
    assert cure in caught.value.remedy
    (found,) = usb_tmc.discover(1.0)
    assert "no libusb" in found.problem and cure in found.fix


def test_the_packaged_libusb_is_used_where_the_system_has_none(monkeypatch) -> None:
    """With no library on the system's paths, the one in ``libusb-package`` opens a backend that answers."""
    monkeypatch.setattr(usb.backend.libusb1, "_lib_object", None)
    monkeypatch.setattr("ctypes.util.find_library", lambda name: None)
    assert "libusb_package" in libusb_backend().lib._name


def test_declarations() -> None:
    names = [board.name for module in (usb_bulk, usb_tmc) for board in module.crankfold_boards()]
    assert names == ["usb-bulk", "usb-tmc"]
    assert usb_bulk.crankfold_contract == usb_tmc.crankfold_contract == 1


def test_a_board_without_description_says_where_it_is_looked_for(monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    for opening in (usb_bulk.open_board, usb_tmc.open_instrument):
        with pytest.raises(errors.SettingError, match=r"nothing describes the USB board 1209:0001; .*description=FILE"):
            opening("1209:0001", {})
    assert list(usb_bulk.discover(1.0)) == []
