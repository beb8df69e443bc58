"""Which serial ports there are, how to name one so that it is found again, and why one cannot be opened.

A port's name (``/dev/ttyUSB0``, ``COM3``) changes with the order of plugging in, so an address is made of what stays:
``SER=`` the serial number of the USB device, ``LOC=`` the USB socket for devices without one, both joined by a comma
where several devices carry the same serial number. Port names are understood too.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from crankfold.acquire import AcquireError, BoardBusyError, BoardFound, BoardNotFoundError, BoardPermissionError
from crankfold.analysis import quoted

UDEV_RULES = Path(__file__).parents[1] / "data" / "70-crankfold.rules"
USUAL_GROUP = "dialout"
ADDRESS_HELP = "SER=<serial number>, LOC=<USB socket>, a port's name, or nothing when there is one USB port only"


@dataclass(frozen=True)
class Port:
    """A serial port of this computer.

    Parameters
    ----------
    device
        What the operating system opens; may be another one tomorrow.
    title
        What the device calls itself.
    serial, location
        Serial number of the USB device and the socket it is in, empty where there is none.
    usb
        Whether it is a USB device.
    address
        What finds the same device again.
    """

    device: str
    title: str = ""
    serial: str = ""
    location: str = ""
    usb: bool = False
    address: str = ""


def list_ports() -> tuple[Port, ...]:
    """Return the serial ports that the operating system knows, USB devices first."""
    from serial.tools import list_ports as system

    found = list(system.comports())
    numbers = Counter(port.serial_number for port in found if port.serial_number)
    ports = []
    for port in found:
        serial, location = port.serial_number or "", port.location or ""
        parts = [f"SER={serial}"] if serial else []
        if location and numbers[serial] != 1:
            parts.append(f"LOC={location}")
        title = port.product or (port.description if port.description not in {None, "n/a"} else "")
        ports.append(Port(port.device, title or "serial port", serial, location, port.vid is not None,
                          ",".join(parts) or port.device))
    return tuple(sorted(ports, key=lambda port: (not port.usb, port.device)))


def find_port(address: str, *, board: str) -> Port:
    """Return the port that `address` means; an empty one means the only USB port.

    Parameters
    ----------
    address
        See `ADDRESS_HELP`.
    board
        Name of the kind of board, for the message.

    Raises
    ------
    BoardNotFoundError
        No port fits, or several do.
    """
    ports = list_ports()
    if "=" not in address and address:
        return _port_by_name(address, ports, board)
    try:
        wanted = dict(part.strip().split("=", 1) for part in address.split(",") if part.strip())
    except ValueError:
        wanted = {address: ""}
    if set(wanted) - {"SER", "LOC"}:
        raise BoardNotFoundError(f"{quoted(address)} is not an address of a serial port", f"give {ADDRESS_HELP}")
    fitting = [port for port in ports if port.usb and wanted.get("SER", port.serial) == port.serial
               and wanted.get("LOC", port.location) == port.location]
    if len(fitting) == 1:
        return fitting[0]
    if not fitting:
        what = f"no serial port fits {quoted(address)}" if address else "no USB serial port is there"
        raise BoardNotFoundError(what, f"plug the board in; {_listing(ports, board)}")
    raise BoardNotFoundError(f"{len(fitting)} serial ports fit {quoted(address)}" if address else
                             f"there are {len(fitting)} USB serial ports", f"say which: {_choices(fitting, board)}")


def _port_by_name(name: str, ports: tuple[Port, ...], board: str) -> Port:
    real = os.path.realpath(name) if os.name == "posix" else name
    for port in ports:
        if port.device == name or os.path.realpath(port.device) == real:
            return port
    if os.name == "posix" and not Path(name).exists():
        raise BoardNotFoundError(f"there is no serial port {name}", _listing(ports, board))
    return Port(name, "serial port", address=name)


def _choices(ports: list[Port] | tuple[Port, ...], board: str) -> str:
    return ", ".join(f"{board}:{port.address} ({port.title}, {port.device})" for port in ports)


def _listing(ports: tuple[Port, ...], board: str) -> str:
    return f"what is there: {_choices(ports, board)}" if ports else "no serial port is there at all, so check the cable"


def holders(device: str) -> tuple[str, ...]:
    """Return the other programs that hold `device` open, as ``name (process 123)``; Linux only, empty elsewhere."""
    if not sys.platform.startswith("linux"):
        return ()
    real = os.path.realpath(device)
    found = []
    for process in Path("/proc").iterdir():
        if not process.name.isdigit() or int(process.name) == os.getpid():
            continue
        try:
            if any(_link(entry) == real for entry in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()} (process {process.name})")
        except OSError:
            continue  # another user's process, or one that has just ended
    return tuple(found)


def _link(entry: Path) -> str:
    try:
        return str(entry.readlink())
    except OSError:
        return ""  # closed in the meantime


def busy_error(device: str) -> BoardBusyError:
    """Return the error that says who holds `device`, as far as that can be seen."""
    by = " and ".join(holders(device)) or "another program"
    return BoardBusyError(f"serial port {device} is in use by {by}", "close that program and try again")


def permission_error(device: str) -> BoardPermissionError:
    """Return the error that says how this user may open `device`."""
    return BoardPermissionError(f"this user may not open serial port {device}", permission_fix(device))


def permission_fix(device: str) -> str:
    """Return the commands that let this user open `device`."""
    if not sys.platform.startswith("linux"):
        return "run as a user who may open serial ports"
    try:
        import grp

        group = grp.getgrgid(Path(device).stat().st_gid).gr_name
    except (ImportError, KeyError, OSError):
        group = USUAL_GROUP
    group = group if group not in {"root", "tty", "nogroup"} else USUAL_GROUP
    return (f"run `sudo cp {UDEV_RULES} /etc/udev/rules.d/ && sudo udevadm control --reload` and plug the board in "
            f"again, or run `sudo usermod -aG {group} $USER` and log in again")


def discover(board: str, kind: str, deadline_s: float = 0.0) -> tuple[BoardFound, ...]:
    """Return the USB serial ports, none of them opened, because opening one resets many boards.

    Parameters
    ----------
    board
        Name of the kind of board.
    kind
        What the port may be, for the title; whether it is one is known only once it is opened.
    deadline_s
        Never needed: listing ports takes milliseconds.
    """
    del deadline_s
    found = []
    for port in list_ports():
        if not port.usb:
            continue
        problem = _problem(port.device)
        found.append(BoardFound(port.address, f"{port.title} at {port.device}, may be {kind}", port.serial,
                                problem.what if problem else "", problem.remedy if problem else "",
                                device=port.device))
    return tuple(found)


def _problem(device: str) -> AcquireError | None:
    if os.name == "posix" and Path(device).exists() and not os.access(device, os.R_OK | os.W_OK):
        return permission_error(device)
    return busy_error(device) if holders(device) else None
