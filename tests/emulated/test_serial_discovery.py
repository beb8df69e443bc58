"""Which boards are there: the system's own port listing on a mocked sysfs, and behind it the emulated board."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

CLIENT = Path(__file__).parent / "serial_client.py"


def usb_serial(socket: str, serial: str, node: str) -> str:
    device = f"/devices/pci0000:00/0000:00:14.0/usb1/{socket}"
    number = f"A: serial={serial}\n" if serial else ""
    return (f"P: {device}\nE: DEVTYPE=usb_device\nE: SUBSYSTEM=usb\nA: idVendor=1209\nA: idProduct=0001\n{number}"
            f"A: manufacturer=Harbour Workshop\nA: product=two-channel board\nA: bNumInterfaces=1\n\n"
            f"P: {device}/{socket}:1.0\nE: DEVTYPE=usb_interface\nE: SUBSYSTEM=usb\nA: interface=\n\n"
            f"P: {device}/{socket}:1.0/tty/{node}\nN: {node}\nE: DEVNAME=/dev/{node}\nE: SUBSYSTEM=tty\n"
            f"L: device=../../../{socket}:1.0\n\n")


def ask(folder: Path, devices: str, addresses: list[str], terminal: str = "") -> Any:
    description = folder / "devices.umockdev"
    description.write_text(devices, encoding="ascii")
    command = ["umockdev-run", "-d", str(description), "--", sys.executable, "-W", "error", str(CLIENT),
               json.dumps(addresses), terminal]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.fail("umockdev-run is missing; this test needs: apt install umockdev")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_board_is_found_by_its_serial_number_whatever_its_port_is_called(tmp_path: Path) -> None:
    answer = ask(tmp_path, usb_serial("1-2", "HW0042", "ttyACM0") + usb_serial("1-3", "HW0043", "ttyUSB3"),
                 ["SER=HW0043", "/dev/ttyACM0", "LOC=1-2", "", "SER=HW0044", "/dev/ttyUSB9", "FOO=1"])
    assert [board["address"] for board in answer["boards"]] == ["SER=HW0042", "SER=HW0043"]
    assert [board["problem"] for board in answer["boards"]] == ["", ""]
    found = answer["found"]
    assert found["SER=HW0043"]["device"] == "/dev/ttyUSB3"
    assert found["/dev/ttyACM0"]["address"] == found["LOC=1-2"]["address"] == "SER=HW0042"
    assert found[""] == ("there are 2 USB serial ports; say which: serial-frames:SER=HW0042 (two-channel board, "
                         "/dev/ttyACM0), serial-frames:SER=HW0043 (two-channel board, /dev/ttyUSB3)")
    assert found["SER=HW0044"].startswith("no serial port fits 'SER=HW0044'; plug the board in; what is there: ")
    assert found["/dev/ttyUSB9"].startswith("there is no serial port /dev/ttyUSB9; what is there: ")
    assert found["FOO=1"].startswith("'FOO=1' is not an address of a serial port; give SER=")


def test_boards_that_share_a_serial_number_or_have_none_are_told_apart_by_their_socket(tmp_path: Path) -> None:
    devices = usb_serial("1-2", "0001", "ttyUSB0") + usb_serial("1-3", "0001", "ttyUSB1") + usb_serial("1-4", "",
                                                                                                        "ttyUSB2")
    answer = ask(tmp_path, devices, ["SER=0001", "SER=0001,LOC=1-3", "LOC=1-4"])
    assert [board["address"] for board in answer["boards"]] == ["SER=0001,LOC=1-2", "SER=0001,LOC=1-3", "LOC=1-4"]
    assert answer["found"]["SER=0001"].startswith("2 serial ports fit 'SER=0001'; say which: ")
    assert answer["found"]["SER=0001,LOC=1-3"]["device"] == "/dev/ttyUSB1"
    assert answer["found"]["LOC=1-4"]["device"] == "/dev/ttyUSB2"


def test_the_only_board_needs_no_address(tmp_path: Path) -> None:
    answer = ask(tmp_path, usb_serial("1-2", "HW0042", "ttyACM0"), [""])
    assert answer["found"][""]["address"] == "SER=HW0042"


def test_discovery_serial_port_and_firmware_in_one_chain(tmp_path: Path, board: Callable[..., Any]) -> None:
    emulated = board(np.full((100, 2), 1234), 1000.0, held_by_tests=False)
    answer = ask(tmp_path, usb_serial("1-2", "HW0042", "ttyACM0"), ["SER=HW0042"], emulated.address)
    assert answer["address"] == "SER=HW0042"
    assert answer["samples"] >= 32


def test_a_rig_never_keeps_the_name_of_a_port_alone(tmp_path: Path) -> None:
    """The command itself, under the mocked system; a port with a serial number or a socket is kept by that."""
    description = tmp_path / "devices.umockdev"
    description.write_text(usb_serial("1-2", "HW0042", "ttyUSB0") + usb_serial("1-4", "", "ttyUSB1"), encoding="ascii")
    for port, address in (("ttyUSB0", "SER=HW0042"), ("ttyUSB1", "LOC=1-4")):
        crankfold = str(Path(sys.executable).with_name("crankfold"))
        command = ["umockdev-run", "-d", str(description), "--", crankfold, "rig", "cart", "--from",
                   f"serial-frames:/dev/{port}"]
        done = subprocess.run(command, capture_output=True, text=True, check=False,
                                         env={**os.environ, "XDG_CONFIG_HOME": str(tmp_path)})
        assert done.returncode == 0, done.stderr
        said = f"serial-frames:/dev/{port} may be a different board tomorrow, so the rig keeps serial-frames:{address}."
        assert said in done.stdout
        assert f'board = "serial-frames:{address}"' in (tmp_path / "crankfold/rigs/cart.toml").read_text()
