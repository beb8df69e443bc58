"""One open serial port: bytes in and out, with every failure said in the project's own errors."""

from __future__ import annotations

import errno
import time
from functools import cache
from typing import TYPE_CHECKING, Any

from crankfold.acquire import AcquireError, BoardDisconnectedError, BoardNotFoundError, SettingError
from crankfold.plugins.serial.ports import Port, busy_error, find_port, holders, permission_error

if TYPE_CHECKING:
    from collections.abc import Mapping

GATHER_S = 0.004
"""Wait for more bytes after the first: a few reads a hundredth instead of one for every byte, on any line speed."""

GATHERED_ENOUGH = 1024
"""Bytes that are worth taking at once; the smallest buffer of a serial driver is 4,096."""

SETTLE_S = 0.3
"""Time for a program that only looks at new ports (a modem manager) to let go of one."""

WRITE_TIMEOUT_S = 1.0


@cache
def port_failures() -> tuple[type[Exception], ...]:
    """Return the exceptions by which a port says that it is broken or gone."""
    failures: tuple[type[Exception], ...] = (OSError,)  # SerialException is one
    try:
        import termios
    except ImportError:
        return failures
    return (*failures, termios.error)


class SerialPort:
    """A serial port that this program alone holds.

    Parameters
    ----------
    address
        See `crankfold.plugins.serial.ports`.
    baud
        Bits a second.
    board
        Name of the kind of board, for messages.

    Raises
    ------
    BoardNotFoundError, BoardBusyError, BoardPermissionError
        It cannot be opened.
    SettingError
        The port cannot do this baud rate.
    """

    def __init__(self, address: str, baud: int, *, board: str) -> None:
        self.port: Port = find_port(address, board=board)
        self.baud = baud
        self._serial = _open(self.port.device, baud)
        self._failure: BoardDisconnectedError | None = None
        try:
            self._refuse_company()
        except AcquireError:
            self.close()
            raise

    def _refuse_company(self) -> None:
        """Two programs on one port each get half of the bytes; not every program asks for the port alone."""
        if holders(self.port.device):
            time.sleep(SETTLE_S)
            if holders(self.port.device):
                raise busy_error(self.port.device)

    def read(self, timeout_s: float) -> bytes:
        """Return what has come, waiting at most `timeout_s` seconds for the first byte; empty when nothing came.

        Raises
        ------
        BoardDisconnectedError
            The port is gone.
        """
        if self._failure is not None:
            raise self._failure
        data = b""
        try:
            if timeout_s > 0 and not self._serial.in_waiting:
                if self._serial.timeout != timeout_s:
                    self._serial.timeout = timeout_s
                data = self._serial.read(1)
                if not data:
                    return b""
            data += self._take_waiting()
            if 0 < len(data) < GATHERED_ENOUGH:
                time.sleep(GATHER_S)
                data += self._take_waiting()
        except port_failures() as error:
            self._failure = self._gone(error)
            if not data:
                raise self._failure from error
        return data

    def _take_waiting(self) -> bytes:
        """Return what is there, in one call: a read that waits for more loses what it has when the port goes."""
        waiting = self._serial.in_waiting
        return bytes(self._serial.read(waiting)) if waiting else b""

    def write(self, data: bytes) -> None:
        """Send `data`.

        Raises
        ------
        BoardDisconnectedError
            The port is gone or takes nothing.
        """
        try:
            self._serial.write(data)
        except port_failures() as error:
            raise self._gone(error) from error

    def flush(self) -> None:
        """Wait until what was written has left this computer.

        Raises
        ------
        BoardDisconnectedError
            The port is gone.
        """
        try:
            self._serial.flush()
        except port_failures() as error:
            raise self._gone(error) from error

    def discard_input(self) -> None:
        """Throw away what has come so far."""
        try:
            self._serial.reset_input_buffer()
        except port_failures() as error:
            raise self._gone(error) from error

    def cancel_read(self) -> None:
        """Make a `read` that waits in another thread return at once."""
        self._serial.cancel_read()

    def close(self) -> None:
        """Let go of the port, also when it is gone."""
        try:
            self._serial.close()
        except port_failures():
            return  # what is gone needs no closing

    def _gone(self, error: Exception) -> BoardDisconnectedError:
        failure = BoardDisconnectedError(f"the board at {self.port.device} is gone",
                                         "check the cable and plug it in again")
        failure.__cause__ = error
        return failure


def _open(device: str, baud: int) -> Any:
    import serial

    try:
        return serial.Serial(device, baud, timeout=0, write_timeout=WRITE_TIMEOUT_S, exclusive=True)
    except ValueError as error:
        raise SettingError(f"serial port {device} can't run at {baud} baud", "give another baud rate") from error
    except port_failures() as error:
        raise _opening_error(device, error) from error


def _opening_error(device: str, error: Exception) -> AcquireError:
    number = getattr(error, "errno", None)
    words = str(error).lower()
    if number in {errno.EACCES, errno.EPERM} and "lock" not in words:
        return permission_error(device)
    if number in {errno.EBUSY, errno.EWOULDBLOCK} or "lock" in words or "access is denied" in words:
        return busy_error(device)
    if number == errno.ENOENT or "filenotfound" in words:
        return BoardNotFoundError(f"there is no serial port {device}", "plug the board in")
    return BoardNotFoundError(f"serial port {device} cannot be opened ({error})",
                              "check that this is the board's port")


def known_settings(settings: Mapping[str, str], known: tuple[str, ...], board: str) -> None:
    """Refuse settings that nobody knows.

    Raises
    ------
    SettingError
        With the names that are known.
    """
    for name in settings:
        if name not in known:
            raise SettingError(f"{board} has no setting {name!r}", f"it has {', '.join(known)}")


def number_setting(settings: Mapping[str, str], name: str, default: float | None, *, lowest: float,
                   highest: float) -> float | None:
    """Return the number that the setting `name` holds, `default` when it is not given.

    Raises
    ------
    SettingError
        It is not a number from `lowest` to `highest`.
    """
    text = settings.get(name, "").strip()
    if not text:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not lowest <= value <= highest:
        raise SettingError(f"{name}={text} cannot be used", f"give a number from {lowest:g} to {highest:g}")
    return value
