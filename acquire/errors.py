"""What can go wrong between a board and a capture, by phase; every message says what, where and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.analysis import CrankfoldError

if TYPE_CHECKING:
    from pathlib import Path


class AcquireError(CrankfoldError):
    """Anything that stops samples from becoming a capture.

    Parameters
    ----------
    what
        One clause that says what happened and where.
    remedy
        One clause that says what to do about it.
    """

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(f"{what}; {remedy}")
        self.what = what
        self.remedy = remedy


class PluginLoadError(AcquireError):
    """A plugin could not be loaded: its import failed, or it speaks another contract number."""


class BoardNotFoundError(AcquireError):
    """Nothing answers at that address: not plugged in, another port, a typing mistake."""


class BoardBusyError(AcquireError):
    """The board is there but another program holds it."""


class BoardPermissionError(AcquireError):
    """The board is there but this user may not open it: group or udev rule missing."""


class BoardDisconnectedError(AcquireError):
    """The board went away while streaming: cable pulled, hub lost power."""


class BoardStalledError(AcquireError):
    """The board is still there but has stopped sending."""


class BoardGarbledError(AcquireError):
    """What arrives makes no sense: wrong baud rate, wrong format, another device."""


class SettingError(AcquireError):
    """A setting is unknown to the plugin or has a value it cannot use."""


class FileFormatError(AcquireError):
    """A file cannot be read as samples.

    Parameters
    ----------
    path, line, column
        Where: the file, its 1-based line and 1-based column, None where that does not apply.
    what
        What was found and what was expected.
    remedy
        What to do.
    """

    def __init__(self, path: Path | str, what: str, remedy: str, *, line: int | None = None,
                 column: int | None = None) -> None:
        where = f"{path}" + (f", line {line}" if line is not None else "") + (
            f", column {column}" if column is not None else "")
        super().__init__(f"{where}: {what}", remedy)
        self.path, self.line, self.column = str(path), line, column


class SaveError(AcquireError):
    """A file could not be written: folder missing, no rights, disk full. Nothing half-written is left."""


class RingOverrunError(AcquireError):
    """A reader of the ring fell behind and the samples it wanted are overwritten.

    Parameters
    ----------
    wanted, oldest
        Absolute index asked for, and the oldest one still there.
    """

    def __init__(self, wanted: int, oldest: int) -> None:
        super().__init__(f"sample {wanted} is overwritten, the oldest kept is {oldest}",
                         "use a longer ring or a lower sample rate")
        self.wanted, self.oldest = wanted, oldest


class ShutdownTimeoutError(AcquireError):
    """The reader thread did not end in time; the board may still be held until this program ends."""
