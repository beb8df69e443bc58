"""Opening a port: who has it, who may, what is there; on real terminals and with real other programs."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from crankfold.acquire import AcquireError, BoardBusyError, BoardDisconnectedError, BoardNotFoundError, SettingError
from crankfold.plugins.serial.port import SerialPort, number_setting
from crankfold.plugins.serial.ports import UDEV_RULES, permission_fix

if TYPE_CHECKING:
    from collections.abc import Callable

NOBODY = 65534


def opened(name: str) -> SerialPort:
    return SerialPort(name, 115_200, board="serial-lines")


def other_program(code: str, name: str) -> subprocess.Popen[bytes]:
    """Start a program that does something with the terminal, says so, and waits."""
    process = subprocess.Popen([sys.executable, "-c", f"{code}\nprint(flush=True)\ninput()", name],
                               stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.readline()
    return process


POLITE = "import serial, sys\nheld = serial.Serial(sys.argv[1], exclusive=True)"
CARELESS = "import os, sys\nheld = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)"


@pytest.mark.parametrize("code", [POLITE, CARELESS], ids=["asks for it alone", "does not ask"])
def test_a_port_that_another_program_reads_is_busy_and_the_program_is_named(terminal: Any, code: str) -> None:
    with other_program(code, terminal.name) as process:
        name = Path(f"/proc/{process.pid}/comm").read_text().strip()
        with pytest.raises(BoardBusyError) as caught:
            opened(terminal.name)
        assert str(caught.value) == (f"serial port {terminal.name} is in use by {name} (process {process.pid}); "
                                     "close that program and try again")
        process.communicate(b"\n")
    opened(terminal.name).close()


def test_a_program_that_only_looks_at_new_ports_is_waited_for(terminal: Any) -> None:
    with other_program(CARELESS + "\nimport threading\nthreading.Timer(0.2, os.close, [held]).start()",
                       terminal.name) as process:
        opened(terminal.name).close()
        process.communicate(b"\n")


def test_a_port_is_free_again_after_it_was_refused(terminal: Any) -> None:
    with other_program(CARELESS, terminal.name) as process:
        with pytest.raises(BoardBusyError):
            opened(terminal.name)
        process.communicate(b"\n")
    for _ in range(2):
        opened(terminal.name).close()


TRY = f"""
import grp, os, sys
import serial.tools.list_ports
from crankfold.acquire.errors import AcquireError
from crankfold.plugins.serial.port import SerialPort
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid({NOBODY})
    os.setuid({NOBODY})
try:
    SerialPort(sys.argv[1], 115200, board="serial-lines")
except AcquireError as error:
    print(type(error).__name__, error)
"""


def test_a_port_that_this_user_may_not_open_comes_with_the_commands_that_help(terminal: Any) -> None:
    mode = Path(terminal.name).stat().st_mode
    Path(terminal.name).chmod(0)
    try:
        done = subprocess.run([sys.executable, "-c", TRY, terminal.name], capture_output=True, text=True, check=False)
    finally:
        Path(terminal.name).chmod(mode)
    assert done.stdout.startswith(f"BoardPermissionError this user may not open serial port {terminal.name}; run `sudo "
                                  f"cp {UDEV_RULES} /etc/udev/rules.d/"), done.stdout + done.stderr
    assert "`sudo usermod -aG dialout $USER` and log in again" in done.stdout


def test_the_rule_that_the_message_names_is_there_and_does_what_it_says() -> None:
    rules = UDEV_RULES.read_text(encoding="ascii")
    serial = next(line for line in rules.split("\n") if line.startswith('SUBSYSTEM=="tty"'))
    assert 'TAG+="uaccess"' in serial
    assert 'ENV{ID_MM_DEVICE_IGNORE}="1"' in serial
    assert UDEV_RULES.name < "73-seat-late.rules"  # which acts on the tag
    assert str(UDEV_RULES) in permission_fix("/dev/null")


def test_no_such_port() -> None:
    with pytest.raises(BoardNotFoundError, match=r"there is no serial port /dev/ttyNONE9; "):
        opened("/dev/ttyNONE9")


def test_something_that_is_not_a_port() -> None:
    with pytest.raises(AcquireError, match=r"serial port /dev/null cannot be opened \(.*check that this is the board"):
        opened("/dev/null")


def test_a_baud_rate_that_the_port_cannot_do(terminal: Any) -> None:
    with pytest.raises(SettingError, match="give another baud rate"):
        SerialPort(terminal.name, -5, board="serial-lines")


@pytest.mark.parametrize("text", ["fast", "nan", "-1", "1e9"])
def test_a_setting_that_is_not_a_number_in_range(text: str) -> None:
    with pytest.raises(SettingError, match=f"baud={text} cannot be used; give a number from 300 to 1e\\+06"):
        number_setting({"baud": text}, "baud", None, lowest=300, highest=1e6)


def test_bytes_that_came_before_the_cable_was_pulled_are_kept(terminal: Any) -> None:
    port = opened(terminal.name)

    def speak_and_go() -> None:
        terminal.send(b"last words")
        time.sleep(0.05)
        terminal.pull_out()

    threading.Timer(0.05, speak_and_go).start()
    kept = b""
    with pytest.raises(BoardDisconnectedError, match="is gone; check the cable"):
        while True:
            kept += port.read(1.0)
    assert kept == b"last words"
    for gone in (lambda: port.read(0.1), lambda: port.write(b"x"), port.discard_input):
        with pytest.raises(BoardDisconnectedError):
            gone()
    port.close()
    port.close()


def test_a_waiting_read_can_be_cancelled_from_another_thread(terminal: Any) -> None:
    port = opened(terminal.name)
    threading.Timer(0.1, port.cancel_read).start()
    began = time.monotonic()
    assert port.read(5.0) == b""
    assert time.monotonic() - began < 1.0
    port.close()


def test_a_read_returns_in_time_and_takes_all_there_is(terminals: Callable[[], Any]) -> None:
    board = terminals()
    port = opened(board.name)
    began = time.monotonic()
    assert port.read(0.2) == b""
    assert 0.15 < time.monotonic() - began < 0.5
    assert port.read(0.0) == b""
    board.send(b"x" * 3000)
    time.sleep(0.02)
    assert port.read(0.0) == b"x" * 3000
    port.close()


