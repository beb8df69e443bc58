"""Several bulk reads queued at once, so that the host always has room for what a board sends.

pyusb reads one transfer at a time; between two reads nothing is queued, and a board with a small buffer loses samples.
libusb itself can hold many transfers, and completes them in the order of the bytes. This calls it through the library
that pyusb has loaded. One thread does everything: libusb's callbacks run inside `take`.
"""

from __future__ import annotations

import ctypes
import errno
import sys
import time
from collections import deque
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, ClassVar

from crankfold.acquire import BoardGarbledError
from crankfold.plugins.usb.device import explain

if TYPE_CHECKING:
    from crankfold.plugins.usb.interface import ClaimedInterface

CANCEL_DEADLINE_S = 1.0  # cancelled transfers come back within microseconds; a dead hub may never return them
MAX_FAULTS_IN_A_ROW = 5  # a loose connector recovers from one or two
LIBUSB_TRANSFER_TYPE_BULK = 2


class Status(IntEnum):
    """How a transfer ended, as in libusb.h."""

    COMPLETED = 0
    ERROR = 1
    TIMED_OUT = 2
    CANCELLED = 3
    STALL = 4
    NO_DEVICE = 5
    OVERFLOW = 6


class _Transfer(ctypes.Structure):
    """``struct libusb_transfer`` without its tail of isochronous packets."""

    _fields_: ClassVar = [
        ("dev_handle", ctypes.c_void_p), ("flags", ctypes.c_uint8), ("endpoint", ctypes.c_uint8),
        ("type", ctypes.c_uint8), ("timeout", ctypes.c_uint), ("status", ctypes.c_int), ("length", ctypes.c_int),
        ("actual_length", ctypes.c_int), ("callback", ctypes.c_void_p), ("user_data", ctypes.c_void_p),
        ("buffer", ctypes.c_void_p), ("num_iso_packets", ctypes.c_int),
    ]


class _TimeValue(ctypes.Structure):
    _fields_: ClassVar = [("seconds", ctypes.c_long), ("microseconds", ctypes.c_long)]


_function_type = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE) if sys.platform == "win32" else ctypes.CFUNCTYPE
_TransferPointer = ctypes.POINTER(_Transfer)
_Callback = _function_type(None, _TransferPointer)


class _Library:
    """The five calls that pyusb leaves out, on the library it has loaded."""

    def __init__(self, backend: Any) -> None:
        lib, pointer = backend.lib, ctypes.c_void_p
        self.context = backend.ctx
        self.allocate = _function_type(_TransferPointer, ctypes.c_int)(("libusb_alloc_transfer", lib))
        self.free = _function_type(None, _TransferPointer)(("libusb_free_transfer", lib))
        self.submit = _function_type(ctypes.c_int, _TransferPointer)(("libusb_submit_transfer", lib))
        self.cancel = _function_type(ctypes.c_int, _TransferPointer)(("libusb_cancel_transfer", lib))
        self.handle_events = _function_type(ctypes.c_int, pointer, ctypes.POINTER(_TimeValue), pointer)(
            ("libusb_handle_events_timeout_completed", lib))


@dataclass(frozen=True)
class Arrival:
    """What one transfer brought.

    Parameters
    ----------
    data
        The bytes; may be none.
    ended_short
        Whether a short packet ended the transfer before it was full.
    interrupted
        Whether bytes may be missing after these: the endpoint stalled or a transfer failed.
    """

    data: bytes
    ended_short: bool = False
    interrupted: bool = False


class TransferQueue:
    """A bulk endpoint being read ahead.

    Parameters
    ----------
    held
        The claimed interface.
    endpoint
        Its bulk endpoint towards the computer.
    transfer_bytes
        Size of each transfer, a multiple of the endpoint's packet.
    depth
        How many of them wait at the host controller.
    """

    def __init__(self, held: ClaimedInterface, endpoint: int, *, transfer_bytes: int, depth: int) -> None:
        self._held, self._endpoint, self._size = held, endpoint, transfer_bytes
        self._library = _Library(held.device.backend)
        self._callback = _Callback(self._ended)
        self._arrived: deque[tuple[Status, bytes]] = deque()
        self._flying: set[int] = set()
        self._draining = self._gone = False
        self._faults = 0
        self.stalls = 0
        handle = held.device._ctx.managed_open().handle  # pyusb has no public way to its open handle
        self._buffers = [ctypes.create_string_buffer(transfer_bytes) for _ in range(depth)]
        self._transfers = [self._prepare(number, handle) for number in range(depth)]

    def _prepare(self, number: int, handle: Any) -> Any:
        transfer = self._library.allocate(0)
        fields = transfer.contents
        fields.dev_handle, fields.endpoint, fields.type = handle, self._endpoint, LIBUSB_TRANSFER_TYPE_BULK
        fields.length = self._size
        fields.buffer = ctypes.addressof(self._buffers[number])
        fields.callback = ctypes.cast(self._callback, ctypes.c_void_p)
        fields.user_data = number
        return transfer

    def start(self) -> None:
        """Queue all transfers."""
        self._draining = False
        for number in range(len(self._transfers)):
            self._submit(number)

    def take(self, timeout_s: float) -> Arrival | None:
        """Return what the next finished transfer brought, None when none finished in time.

        Raises
        ------
        BoardDisconnectedError
            The board went away; everything it had sent was handed out before.
        BoardGarbledError
            Transfer after transfer fails.
        """
        if not self._arrived:
            self._handle_events(timeout_s)
        if self._arrived:
            status, data = self._arrived.popleft()
            if status is not Status.COMPLETED:
                return self._recover(status, data)
            self._faults = 0
            return Arrival(data, ended_short=len(data) < self._size)
        if self._gone and not self._flying:
            raise explain(OSError(errno.ENODEV, "gone"), self._held.address, "streaming")
        return None

    def _recover(self, status: Status, data: bytes) -> Arrival:
        """Take the queue down after a stall or a failed transfer, keep what had come, and set it going again."""
        self._faults += 1
        self.stalls += status is Status.STALL
        self._drain()
        self._arrived = deque((Status.COMPLETED, more) for _, more in self._arrived if more)
        if self._faults > MAX_FAULTS_IN_A_ROW:
            raise BoardGarbledError(f"USB board {self._held.address}: {self._faults} transfers in a row ended with "
                                    f"{status.name.lower()}", "try another cable, another port, no hub")
        if not self._gone:
            self._held.clear_halt(self._endpoint)
            self.start()
        return Arrival(data, ended_short=True, interrupted=True)

    def close(self) -> None:
        """Cancel what is queued and free it; a transfer that never comes back is left to the system."""
        self._drain()
        if not self._flying:
            for transfer in self._transfers:
                self._library.free(transfer)
            self._transfers = []

    def _drain(self) -> None:
        self._draining = True
        for number in tuple(self._flying):
            self._library.cancel(self._transfers[number])
        deadline = time.monotonic() + CANCEL_DEADLINE_S
        while self._flying and time.monotonic() < deadline:
            self._handle_events(0.05)

    def _handle_events(self, timeout_s: float) -> None:
        """Let libusb run callbacks until something has arrived or the time is up."""
        deadline, before = time.monotonic() + timeout_s, len(self._arrived)
        while True:
            left = max(0.0, deadline - time.monotonic())
            wait = _TimeValue(int(left), int(left % 1 * 1e6))
            self._library.handle_events(self._library.context, ctypes.byref(wait), None)
            if len(self._arrived) > before or left == 0.0 or not self._flying:
                return

    def _submit(self, number: int) -> None:
        if self._library.submit(self._transfers[number]) == 0:
            self._flying.add(number)
        else:
            self._gone = True

    def _ended(self, transfer: Any) -> None:
        """Take the bytes of a transfer and queue it again: called by libusb."""
        fields = transfer.contents
        number, status = fields.user_data or 0, Status(fields.status)
        self._flying.discard(number)
        data = ctypes.string_at(fields.buffer, fields.actual_length)
        if status in (Status.CANCELLED, Status.NO_DEVICE):
            self._gone = self._gone or status is Status.NO_DEVICE
            if data:
                self._arrived.append((Status.COMPLETED, data))
            return
        self._arrived.append((status, data))
        if status is Status.COMPLETED and not (self._draining or self._gone):
            self._submit(number)
