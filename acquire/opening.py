"""From what a person wrote, ``NAME:ADDRESS`` or a file's path, to an open source."""

from __future__ import annotations

import difflib
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from crankfold.acquire.deadline import call_within
from crankfold.acquire.errors import AcquireError, BoardNotFoundError, FileFormatError, SettingError
from crankfold.analysis import CrankfoldError, quoted

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from crankfold.acquire.contract import Source
    from crankfold.acquire.declarations import BoardDeclaration, ReaderDeclaration, Setting
    from crankfold.acquire.registry import Plugins

OPEN_DEADLINE_S = 15.0  # a board that restarts when its port is opened needs 2 to 5 s, a slow one more
HEAD_BYTES = 4096


def open_board(text: str, settings: Mapping[str, str], plugins: Plugins, *,
               deadline_s: float = OPEN_DEADLINE_S) -> Source:
    """Return the open source of ``NAME:ADDRESS`` or ``NAME``; a file reader's name is followed by the file's path.

    Parameters
    ----------
    text
        Such as ``virtual``, ``serial-lines:SERIALNUMBER``, ``csv:crank.csv``.
    settings
        Values by name, as texts.
    deadline_s
        Seconds a board may take.

    Raises
    ------
    SettingError
        No plugin of that name, or a setting it does not know.
    AcquireError
        The board cannot be opened.
    """
    name, _, address = text.strip().partition(":")
    name = name.strip()
    if name in plugins.readers and name not in plugins.boards:
        return open_file(Path(address), settings, plugins, reader=name)
    if name not in plugins.boards:
        raise _unknown("board or file reader", name, [*plugins.boards, *plugins.readers])
    board = plugins.boards[name].declaration
    _check_settings(f"board {name!r}", settings, board.settings)
    return _open_in_time(board, address, settings, deadline_s)


def open_file(path: Path | str, settings: Mapping[str, str], plugins: Plugins, *, reader: str | None = None) -> Source:
    """Return the open source of a file.

    The reader is the one named, else the one whose suffix fits (the longest first), else the one that recognises the
    first 4 KiB.

    Raises
    ------
    FileFormatError
        The file is missing, empty, a directory, or nobody reads it.
    SettingError
        No such reader, or a setting it does not know.
    """
    path = Path(path)
    head = _head(path)
    if reader is not None and reader not in plugins.readers:
        raise _unknown("file reader", reader, list(plugins.readers))
    declaration = plugins.readers[reader].declaration if reader else choose_reader(path, head, plugins)
    _check_settings(f"file reader {declaration.name!r}", settings, declaration.settings)
    try:
        return declaration.open(path, settings)
    except CrankfoldError:
        raise
    except MemoryError as error:
        raise FileFormatError(path, "the file needs more memory than there is", "cut it into shorter ones") from error
    except OSError as error:
        raise FileFormatError(path, f"it cannot be read ({_reason(error)})",
                              "check the file, the disk and your permissions") from error
    except Exception as error:
        raise FileFormatError(path, f"the reader {declaration.name!r} failed on it ({_reason(error)})",
                              "name another reader, or report this with the file") from error


def choose_reader(path: Path, head: bytes, plugins: Plugins) -> ReaderDeclaration:
    """Return the reader whose suffix fits the name, longest first, else the one that recognises the head.

    Raises
    ------
    FileFormatError
        Nobody reads it.
    """
    endings = plugins.readers_of(path.name)
    if endings:
        return endings[0][1]
    for offered in plugins.readers.values():
        if _recognises(offered.declaration, head):
            return offered.declaration
    known = sorted({suffix for offered in plugins.readers.values() for suffix in offered.declaration.suffixes})
    raise FileFormatError(path, "no reader knows this kind of file",
                          f"give a file that ends in {', '.join(known) or 'a known suffix'}, or name the reader")


def _recognises(reader: ReaderDeclaration, head: bytes) -> bool:
    try:
        return reader.recognises(head)
    except Exception:  # one reader's sniffing must not keep the others from the file
        return False


def _open_in_time(board: BoardDeclaration, address: str, settings: Mapping[str, str], deadline_s: float) -> Source:
    shown = f"{board.name}:{address}" if address else board.name
    try:
        return call_within(partial(board.open, address, settings), deadline_s, name=f"opening {shown}",
                           too_late=lambda source: source.close())
    except CrankfoldError:
        raise
    except TimeoutError as error:
        raise BoardNotFoundError(f"board {shown} did not answer within {deadline_s:g} s",
                                 "unplug it, plug it in again, and check the address") from error
    except Exception as error:
        raise AcquireError(f"board {shown} could not be opened ({_reason(error)})",
                           "unplug it and try again; report this to whoever wrote the plugin") from error


def _head(path: Path) -> bytes:
    """Return the first bytes of a file that exists and holds something."""
    try:
        if path.is_dir():
            raise FileFormatError(path, "this is a folder", "name a file in it")
        if path.exists() and not path.is_file():
            raise FileFormatError(path, "this is not an ordinary file", "write the samples to a file first")
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except FileNotFoundError as error:
        raise FileFormatError(path, "there is no such file", "check the name and the folder") from error
    except PermissionError as error:
        raise FileFormatError(path, "you don't have permission to read this file",
                              "change its permissions or copy it") from error
    except (OSError, ValueError) as error:
        raise FileFormatError(path, f"it cannot be read ({_reason(error)})", "check the name and the disk") from error
    if not head:
        raise FileFormatError(path, "the file is empty", "record again, or name another file")
    return head


def _check_settings(who: str, settings: Mapping[str, str], known: Collection[Setting]) -> None:
    names = [setting.name for setting in known]
    for name in settings:
        if name not in names:
            remedy = f"it knows {', '.join(names)}" if names else "it has none"
            raise SettingError(f"{who} has no setting {quoted(name)}", remedy + _hint(name, names))
    for setting in known:
        if settings.get(setting.name, "").strip():
            setting.check(settings[setting.name])


def _unknown(what: str, name: str, known: list[str]) -> SettingError:
    listed = f"there are {', '.join(sorted(known))}" if known else "none is loaded"
    return SettingError(f"there is no {what} called {quoted(name)}", listed + _hint(name, known))


def _hint(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _reason(error: BaseException) -> str:
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return " ".join(text.split()) or type(error).__name__
