"""One claimed interface of a USB device: control and bulk transfers, each failure told in a sentence with its cure."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

from crankfold.acquire import (
    AcquireError,
    BoardGarbledError,
)
from crankfold.plugins.usb.device import address_of, explain

if TYPE_CHECKING:
    from collections.abc import Iterator

CONTROL_TIMEOUT_MS = 1000  # a control transfer takes milliseconds; USB 2.0 lets a device think for up to 5 s
BULK_ATTRIBUTE = 2


class ClaimedInterface:
    """One interface of one device, held until `close`; its calls raise `AcquireError` and nothing else.

    Parameters
    ----------
    device
        From `find_device`.
    interface, alternate, configuration
        As in the device's descriptors.
    """

    def __init__(self, device: Any, interface: int, *, alternate: int = 0, configuration: int = 1) -> None:
        self.device, self.interface = device, interface
        self.address = address_of(device)
        self._detached = False
        self._closed = False
        try:
            with self._explained("being opened"):
                self._claim(alternate, configuration)
        except AcquireError:
            self.close()
            raise

    def _claim(self, alternate: int, configuration: int) -> None:
        import usb.util

        self.device._ctx.managed_open()  # pyusb opens at the first transfer; a refusal has to show here
        if self._active_configuration() != configuration:
            self.device.set_configuration(configuration)
        self._settings = usb.util.find_descriptor(self.device.get_active_configuration(),
                                                  bInterfaceNumber=self.interface, bAlternateSetting=alternate)
        if self._settings is None:
            raise ValueError(f"interface {self.interface}, alternate {alternate}")
        with contextlib.suppress(NotImplementedError):  # only Linux has drivers to push aside
            if self.device.is_kernel_driver_active(self.interface):
                self.device.detach_kernel_driver(self.interface)
                self._detached = True
        usb.util.claim_interface(self.device, self.interface)
        if alternate:
            self.device.set_interface_altsetting(self.interface, alternate)

    def _active_configuration(self) -> int | None:
        import usb.core

        with contextlib.suppress(usb.core.USBError):
            return int(self.device.get_active_configuration().bConfigurationValue)
        return None

    @contextlib.contextmanager
    def _explained(self, doing: str) -> Iterator[None]:
        import usb.core

        try:
            yield
        except (usb.core.USBError, NotImplementedError) as error:
            raise explain(error, self.address, doing) from error
        except (KeyError, ValueError) as error:
            raise BoardGarbledError(f"USB board {self.address} lacks a configuration, interface or endpoint that its "
                                    f"description names ({error})", "compare it with the output of lsusb -v"
                                    ) from error

    def bulk_endpoints(self) -> tuple[int, ...]:
        """Return the addresses of the interface's bulk endpoints, 0x80 and up for those towards the computer."""
        return tuple(int(end.bEndpointAddress) for end in self._settings if end.bmAttributes & 3 == BULK_ATTRIBUTE)

    def packet_bytes(self, endpoint: int) -> int:
        """Return the largest packet of a bulk endpoint, 64 or 512 bytes.

        Raises
        ------
        BoardGarbledError
            The interface has no such bulk endpoint.
        """
        for end in self._settings:
            if end.bEndpointAddress == endpoint and end.bmAttributes & 3 == BULK_ATTRIBUTE:
                return int(end.wMaxPacketSize & 0x7FF)
        found = ", ".join(f"{address:#04x}" for address in self.bulk_endpoints()) or "none"
        raise BoardGarbledError(f"USB board {self.address}, interface {self.interface} has no bulk endpoint "
                                f"{endpoint:#04x}", f"correct the description; its bulk endpoints are: {found}")

    def control(self, request_type: int, request: int, value: int, index: int, data: bytes | int) -> bytes:
        """Return what a control transfer brought; `data` is what to send, or how many bytes to ask for."""
        with self._explained(f"control request {request:#04x}"):
            answer = self.device.ctrl_transfer(request_type, request, value, index, data, CONTROL_TIMEOUT_MS)
        return bytes(answer) if isinstance(data, int) else b""

    def write(self, endpoint: int, data: bytes, timeout_s: float = 1.0) -> None:
        """Send `data` through a bulk endpoint."""
        with self._explained(f"a write of {len(data)} bytes to endpoint {endpoint:#04x}"):
            self.device.write(endpoint, data, max(1, round(timeout_s * 1000)))

    def read(self, endpoint: int, length: int, timeout_s: float) -> bytes:
        """Return up to `length` bytes of one transfer from a bulk endpoint.

        Raises
        ------
        BoardStalledError
            Nothing came in `timeout_s` seconds.
        """
        with self._explained(f"a read from endpoint {endpoint:#04x}"):
            return bytes(self.device.read(endpoint, length, max(1, round(timeout_s * 1000))))

    def clear_halt(self, endpoint: int) -> None:
        """Let a stalled endpoint go on."""
        with self._explained(f"clearing endpoint {endpoint:#04x}"):
            self.device.clear_halt(endpoint)

    def close(self) -> None:
        """Let go of the interface, give it back to the kernel's driver; calling it again does nothing."""
        import usb.core
        import usb.util

        if self._closed:
            return
        self._closed = True
        gone = (usb.core.USBError, NotImplementedError)
        with contextlib.suppress(*gone):
            usb.util.release_interface(self.device, self.interface)
        if self._detached:
            with contextlib.suppress(*gone):
                self.device.attach_kernel_driver(self.interface)
        usb.util.dispose_resources(self.device)

