"""Which program owns a file on disk, told by text: so that no other takes it up while that program runs.

A lock says it best, but many network folders have none, and some grant one to everybody. So the owner is written down:
the machine, its start, the process, and the process's start. On the same machine one can look whether it runs. Of
another machine nobody can tell; what it left is taken up only after a day in which nothing was written.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import platform
import re
import sys
import tempfile
import uuid
from dataclasses import dataclass
from pathlib import Path

STALE_S = 86_400.0  # by the folder's own clock; a computer that sleeps over lunch with a crank under way is not gone
NAMELESS_S = 60.0  # for a file that does not say whose it is: older programs, or one that is being made this moment
_PART = re.compile(r"[A-Za-z0-9]+~[0-9a-f]+~\d+~\d+~\d+")


@dataclass(frozen=True)
class Owner:
    """A running program.

    Parameters
    ----------
    machine
        Its name, and a few digits of what tells machines of one name apart.
    boot
        Digits that change whenever the machine starts.
    space
        Number of the process space, 0 where there is one only: containers count processes anew.
    process, born
        Number of the process, and when it was started, in units of the system; 0 where that cannot be known.
    """

    machine: str
    boot: str
    space: int
    process: int
    born: int

    def __str__(self) -> str:
        return f"{self.machine}~{self.boot}~{self.space}~{self.process}~{self.born}"

    @classmethod
    def parse(cls, text: str) -> Owner | None:
        """Return the owner that a text names, None where it names none."""
        if not _PART.fullmatch(text):
            return None
        machine, boot, space, process, born = text.split("~")
        return cls(machine, boot, int(space), int(process), int(born))

    @property
    def runs(self) -> bool | None:
        """Whether it runs; None: it is elsewhere, and nobody here can tell."""
        here = this_program()
        if self.machine != here.machine:
            return None
        if self.boot != here.boot:
            return False
        if self.space != here.space:
            return None
        return _runs(self.process, self.born)


def this_program() -> Owner:
    """Return the program that asks."""
    return _program(os.getpid())


@functools.lru_cache(maxsize=4)
def _program(process: int) -> Owner:
    machine_id = _read("/etc/machine-id") or _read("/var/lib/dbus/machine-id")
    address = uuid.getnode()
    told = f"{machine_id}/{'' if address & 1 << 40 else address}"  # that bit marks a made-up address, new each time
    name = re.sub(r"[^A-Za-z0-9]", "", platform.node())[:24] or "machine"
    boot = _read("/proc/sys/kernel/random/boot_id")
    return Owner(name + _digits(told), _digits(boot) if boot else "0", _space(), process, _born(process))


def changed_s(path: Path) -> float:
    """Return how long ago a file was written last, seconds, by the clock of the folder's own system."""
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".crankfold-clock-") as now:
        return os.fstat(now.fileno()).st_mtime - path.stat().st_mtime


def lock(descriptor: int) -> bool:
    """Take the lock of an open file until it is closed, and return whether there is one to be had."""
    try:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (ImportError, OSError):
        return False
    return True


def unlock(descriptor: int) -> None:
    """Give the lock back: a flush under way holds the file open for longer."""
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_UN)


def locked(path: Path) -> bool:
    """Return whether a program that runs holds the lock of a file; False where there are no locks."""
    try:
        import fcntl
    except ImportError:
        return False
    try:
        with path.open("rb") as file:
            fcntl.flock(file.fileno(), fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False  # what cannot be opened or locked is told when it is read
    return False


def _digits(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _read(path: str) -> str:
    try:
        return Path(path).read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def _space() -> int:
    try:
        return Path("/proc/self/ns/pid").stat().st_ino
    except OSError:
        return 0


def _born(process: int) -> int:
    """Return when a process was started, in ticks since the machine's start; 0 where that cannot be known."""
    about = _about(process)
    return int(about[19]) if len(about) > 19 and about[19].isdigit() else 0


def _about(process: int) -> list[str]:
    """Return what Linux says of a process, from its state on; nothing on other systems."""
    return _read(f"/proc/{process}/stat").rpartition(")")[2].split()


def _runs(process: int, born: int) -> bool:
    if sys.platform == "win32":
        return _runs_on_windows(process)
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True  # it is there, and somebody else's
    if _about(process)[:1] in (["Z"], ["X"]):
        return False  # it has ended, and whoever started it has not looked yet
    return not born or _born(process) in (0, born)


def _runs_on_windows(process: int) -> bool:
    if sys.platform != "win32":
        return False
    import ctypes

    kernel = ctypes.windll.kernel32
    handle = kernel.OpenProcess(0x1000, False, process)  # only to ask about it
    if not handle:
        return False
    code = ctypes.c_ulong()
    kernel.GetExitCodeProcess(handle, ctypes.byref(code))
    kernel.CloseHandle(handle)
    return code.value == 259  # still active
