"""Commands to and answers from an instrument of the USB Test and Measurement Class."""

from __future__ import annotations

import contextlib
import time
from typing import TYPE_CHECKING, Any

from crankfold.acquire import AcquireError, BoardGarbledError, BoardNotFoundError, BoardStalledError
from crankfold.plugins.usb import tmc_messages as tmc
from crankfold.plugins.usb.device import address_of
from crankfold.plugins.usb.interface import ClaimedInterface

if TYPE_CHECKING:
    from collections.abc import Iterator

CLASS_APPLICATION, SUBCLASS_TMC = 0xFE, 0x03
CHECKS_PER_ABORT = 50
CHECK_PAUSE_S = 0.02
DRAIN_S = 0.1
MAX_ANSWER_BYTES = 1 << 30  # a gigabyte: beyond it the header is nonsense


def tmc_interface(device: Any) -> tuple[int, int] | None:
    """Return configuration and interface number of the device's test-and-measurement interface, None without one."""
    for configuration in device:
        for interface in configuration:
            if (interface.bInterfaceClass, interface.bInterfaceSubClass) == (CLASS_APPLICATION, SUBCLASS_TMC):
                return int(configuration.bConfigurationValue), int(interface.bInterfaceNumber)
    return None


class TmcLink:
    """An open instrument.

    Parameters
    ----------
    device
        From `usb_device.find_device`.
    timeout_s
        What a command or an answer may take.
    request_bytes
        How much of an answer is asked for at a time.
    """

    def __init__(self, device: Any, *, timeout_s: float, request_bytes: int) -> None:
        found = tmc_interface(device)
        if found is None:
            raise BoardNotFoundError(f"USB device {address_of(device)} has no test-and-measurement interface",
                                     "switch the instrument's USB port from storage or printing to USBTMC in its menu")
        self._held = ClaimedInterface(device, found[1], configuration=found[0])
        self._interface, self._timeout_s, self._request_bytes = found[1], timeout_s, request_bytes
        self._tag = 0
        try:
            ends = self._held.bulk_endpoints()
            self._out = self._endpoint([end for end in ends if not end & 0x80])
            self._in = self._endpoint([end for end in ends if end & 0x80])
            self._packet = self._held.packet_bytes(self._in)
            self.clear()
        except BaseException:
            self._held.close()
            raise

    @property
    def address(self) -> str:
        """What opens the same instrument again."""
        return str(self._held.address)

    def _endpoint(self, found: list[int]) -> int:
        if not found:
            raise BoardGarbledError(f"instrument {self._held.address} lacks a bulk endpoint", "it is no USBTMC device; "
                                    "use another board kind for it")
        return found[0]

    def clear(self) -> None:
        """Bring the instrument's input and output to a known state, whatever a program before left there."""
        status = b""
        with contextlib.suppress(BoardGarbledError):  # some instruments refuse, though the class demands it
            status = self._held.control(tmc.TO_INTERFACE, tmc.INITIATE_CLEAR, 0, self._interface, 1)
        if status[:1] != bytes((tmc.STATUS_SUCCESS,)):
            return  # nothing to clear
        self._until_done(tmc.TO_INTERFACE, tmc.CHECK_CLEAR_STATUS, self._interface, 2)
        self._held.clear_halt(self._out)

    def _until_done(self, request_type: int, request: int, index: int, length: int) -> None:
        """Ask for the status of a clear or abort until it is no longer pending, emptying the pipe when told to."""
        for _ in range(CHECKS_PER_ABORT):
            answer = self._held.control(request_type, request, 0, index, length)
            if answer[:1] != bytes((tmc.STATUS_PENDING,)):
                return
            if len(answer) > 1 and answer[1] & 1:
                self._drain()
            time.sleep(CHECK_PAUSE_S)
        raise BoardStalledError(f"instrument {self._held.address} stays busy", "switch it off and on again")

    def _drain(self) -> None:
        with contextlib.suppress(BoardStalledError):
            while len(self._held.read(self._in, self._packet * 64, DRAIN_S)) == self._packet * 64:
                pass

    def write(self, command: str) -> None:
        """Send a command, with the newline that ends it."""
        self._tag = tmc.next_tag(self._tag)
        message = tmc.command_message(self._tag, command.encode("ascii", "replace") + b"\n")
        try:
            self._held.write(self._out, message, self._timeout_s)
        except BoardStalledError as error:
            self._abort(tmc.INITIATE_ABORT_BULK_OUT, tmc.CHECK_ABORT_BULK_OUT_STATUS, self._out)
            with contextlib.suppress(AcquireError):
                self._held.clear_halt(self._out)
            raise self._silent(command) from error

    def ask(self, command: str) -> str:
        """Return the answer to a query as text, without the newline.

        Raises
        ------
        BoardStalledError
            No answer in time; the instrument has been told to forget the query.
        BoardGarbledError
            The answer is not one to this query.
        """
        return self.ask_bytes(command).decode("ascii", "replace").strip()

    def ask_bytes(self, command: str) -> bytes:
        """Return the answer to a query, every byte up to the end of the message."""
        self.write(command)
        try:
            return b"".join(self._parts())
        except BoardStalledError as error:
            self._abort(tmc.INITIATE_ABORT_BULK_IN, tmc.CHECK_ABORT_BULK_IN_STATUS, self._in)
            raise self._silent(command) from error

    def _parts(self) -> Iterator[bytes]:
        ends, total = False, 0
        while not ends:
            self._tag = tmc.next_tag(self._tag)
            self._held.write(self._out, tmc.request_message(self._tag, self._request_bytes), self._timeout_s)
            data, ends = self._answer()
            total += len(data)
            if total > MAX_ANSWER_BYTES or not (data or ends):
                raise BoardGarbledError(f"instrument {self._held.address} sends an answer without end",
                                        "switch it off and on again")
            yield data

    def _answer(self) -> tuple[bytes, bool]:
        """Return the data of one transfer and whether the message ends with it."""
        room = self._request_bytes + tmc.HEADER_BYTES + tmc.ALIGNMENT
        length = -(-room // self._packet) * self._packet
        raw = self._held.read(self._in, length, self._timeout_s)
        answer = tmc.parse_answer(raw[: tmc.HEADER_BYTES])
        if answer.tag != self._tag:
            raise BoardGarbledError(f"instrument {self._held.address} answers request {answer.tag}, asked was "
                                    f"{self._tag}", "close every other program that talks to it and repeat")
        if answer.size > self._request_bytes:
            raise BoardGarbledError(f"instrument {self._held.address} announces {answer.size} bytes where "
                                    f"{self._request_bytes} were asked for", "switch it off and on again")
        pieces = [raw[tmc.HEADER_BYTES :]]
        missing = answer.size - len(pieces[0])
        while missing > 0:  # an instrument that cuts its transfer into several
            pieces.append(self._held.read(self._in, length, self._timeout_s))
            missing -= len(pieces[-1])
            if not pieces[-1]:
                raise BoardGarbledError(f"instrument {self._held.address} announced {answer.size} bytes and left out "
                                        f"{missing}", "switch it off and on again")
        return b"".join(pieces)[: answer.size], answer.ends

    def _abort(self, initiate: int, check: int, endpoint: int) -> None:
        """Tell the instrument to forget the transfer in progress; what went wrong before is what gets reported."""
        with contextlib.suppress(AcquireError):
            answer = self._held.control(tmc.TO_ENDPOINT, initiate, self._tag, endpoint, 2)
            if answer[:1] == bytes((tmc.STATUS_SUCCESS,)):
                if endpoint & 0x80:
                    self._drain()
                self._until_done(tmc.TO_ENDPOINT, check, endpoint, 8)

    def _silent(self, command: str) -> BoardStalledError:
        return BoardStalledError(f"instrument {self._held.address} did not take or answer {command!r} within "
                                 f"{self._timeout_s:g} s", "compare the command with the instrument's manual, or give "
                                 "it more time with device.timeout_s in the description")

    def close(self) -> None:
        """Let go of the instrument; calling it again does nothing."""
        self._held.close()
