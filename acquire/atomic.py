"""A file written whole or not at all, whatever happens meanwhile."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from crankfold.acquire.errors import SaveError


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that after a crash or a power cut either all of it is there or what was there before.

    It is written beside its place, flushed to the disk, renamed, and the folder flushed too.

    Raises
    ------
    SaveError
        It cannot be written; nothing is left behind.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = write_beside(path, content)
        try:
            beside.replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                beside.unlink()
            raise
        flush_folder(path.parent)
    except OSError as error:
        raise _not_written(path, error) from error


def write_new(path: Path, content: bytes) -> Path:
    """Write a file that must not be there yet, whole or not at all, and return its path.

    Raises
    ------
    FileExistsError
        There is one of that name, perhaps since a moment ago.
    SaveError
        It cannot be written; nothing is left behind.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _not_written(path, error) from error
    try:
        beside = write_beside(path, content)
        try:
            _link(beside, path)
        finally:
            with contextlib.suppress(OSError):
                beside.unlink()
        flush_folder(path.parent)
    except FileExistsError:
        raise
    except OSError as error:
        raise _not_written(path, error) from error
    return path


def _link(beside: Path, path: Path) -> None:
    """Give a whole file its name unless that is taken; where there are no links, the name is taken empty first."""
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        beside.replace(path)


def write_beside(path: Path, content: bytes | Callable[[BinaryIO], None]) -> Path:
    """Return a flushed file with that content and the usual rights, hidden beside `path`, to be renamed to it.

    Parameters
    ----------
    content
        All of it, or what writes it piece by piece.

    Raises
    ------
    OSError
        It cannot be written; nothing is left behind.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            if isinstance(content, bytes):
                file.write(content)
            else:
                content(file)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(_usual_mode())
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
    return beside


def _not_written(path: Path, error: OSError) -> SaveError:
    return SaveError(f"{path} could not be written ({error.strerror or error})",
                     "check the folder, your permissions and the free space")


def _usual_mode() -> int:
    """Return the rights an ordinary new file gets; a temporary file is readable by its owner alone."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def flush_folder(folder: Path) -> None:
    """Flush renames in a folder to the disk; systems that cannot open a folder need no such thing."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)
