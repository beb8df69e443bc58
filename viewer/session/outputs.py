"""Files that are written whole or not at all: all prepared beside their places first, then put there together."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from crankfold.acquire import flush_folder, write_beside
from crankfold.analysis import InputError
from crankfold.viewer.words import say


class Outputs:
    """A set of files written together.

    Leaving the ``with`` block normally puts every file in its place; leaving it by an exception, Ctrl-C included,
    leaves nothing behind.
    """

    def __init__(self) -> None:
        self._ready: list[tuple[Path, Path]] = []
        self._direct: list[tuple[Path, BinaryIO]] = []

    def add(self, path: Path, content: bytes | Callable[[BinaryIO], None]) -> None:
        """Prepare a file; `content` is all of it, or what writes it piece by piece.

        Raises
        ------
        InputError
            It cannot be written there, or the disk is full.
        """
        if path.exists() and not path.is_file() and not path.is_dir():
            self._direct.append((path, _held(content)))  # a device or a pipe: nothing to rename
            return
        if path.is_symlink():
            path = path.resolve()  # the link stays, and what it points to is written
        try:
            if path.is_dir():
                raise IsADirectoryError(say("problem.is_folder", path=str(path)))
            self._ready.append((write_beside(path, content), path))
        except (OSError, ValueError) as error:
            raise unwritable(path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        try:
            if kind is None:
                self._put_in_place()
        finally:
            for prepared, _ in self._ready:
                prepared.unlink(missing_ok=True)

    def _put_in_place(self) -> None:
        for path, content in self._direct:
            try:
                with path.open("wb") as file, content:
                    shutil.copyfileobj(content, file)
            except OSError as error:
                raise unwritable(path, error) from error
        folders = {path.parent for _, path in self._ready}
        while self._ready:
            prepared, path = self._ready[0]
            try:
                prepared.replace(path)
            except OSError as error:
                raise unwritable(path, error) from error
            self._ready.pop(0)
        for folder in folders:
            flush_folder(folder)


def _held(content: bytes | Callable[[BinaryIO], None]) -> BinaryIO:
    """Return a file without a name that holds what is to be written, at its beginning."""
    file: BinaryIO = tempfile.TemporaryFile()  # noqa: SIM115 - closed when it is written
    if isinstance(content, bytes):
        file.write(content)
    else:
        content(file)
    file.seek(0)
    return file


def check_writable(path: Path) -> None:
    """Complain early about a path that cannot be written, before any long work.

    Raises
    ------
    InputError
        Its folder is missing or not writable, or the path is a folder.
    """
    if path.is_dir():
        raise InputError(say("problem.is_folder", path=str(path)))
    if not path.parent.is_dir():
        raise InputError(say("problem.no_folder", path=str(path), folder=str(path.parent)))
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise InputError(say("problem.not_writable", path=str(path)))


def unwritable(path: Path, error: Exception) -> InputError:
    """Return the error that says why a file could not be written."""
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return InputError(say("problem.cannot_write", path=str(path), reason=reason))
