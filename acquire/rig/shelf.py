"""Where rigs and engine cards are kept: a small TOML file each, found by name."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from crankfold.acquire.atomic import write_whole
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire.rig.cards import EngineCard, Rig
from crankfold.acquire.toml import KINDS, kind_of, read_toml
from crankfold.analysis import InputError, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping


NAME = re.compile(r"[^\W_][\w -]{0,63}")  # a file's name, so no dots, slashes or device names of systems
MAX_NAME_BYTES = 200  # file systems take 255, and endings come behind it
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)
C = TypeVar("C", "Rig", "EngineCard")
FOLDERS: Mapping[type[Rig | EngineCard], str] = {Rig: "rigs", EngineCard: "engines"}


class Shelf:
    """The folder where rigs and engine cards are kept.

    Parameters
    ----------
    folder
        Instead of the one where this platform keeps settings.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder if folder is not None else _settings_folder()

    def rigs(self) -> tuple[str, ...]:
        """Return the names of all rigs."""
        return self.names(Rig)

    def engines(self) -> tuple[str, ...]:
        """Return the names of all engine cards."""
        return self.names(EngineCard)

    def rig(self, name: str) -> Rig:
        """Return the rig of a name, as `load` does."""
        return self.load(name, Rig)

    def engine(self, name: str) -> EngineCard:
        """Return the engine card of a name, as `load` does."""
        return self.load(name, EngineCard)

    def names(self, kind: type[Rig | EngineCard]) -> tuple[str, ...]:
        """Return the names of all cards of a kind."""
        folder = self.folder / FOLDERS[kind]
        return tuple(sorted(path.stem for path in folder.glob("*.toml"))) if folder.is_dir() else ()

    def load(self, name: str, kind: type[C]) -> C:
        """Return the card of a name, or of a path that ends in ``.toml``.

        Raises
        ------
        InputError, FileFormatError
            There is none, or its file has a mistake.
        """
        return load_card(self.file(name, kind), kind)

    def file(self, name: str, kind: type[Rig | EngineCard]) -> Path:
        """Return where the card of a name, or of a path that ends in ``.toml``, is kept.

        Raises
        ------
        InputError
            There is none of that name.
        """
        if name.endswith(".toml"):
            return Path(name)
        path = self._path(kind, name)
        if not path.is_file():
            known, what = ", ".join(self.names(kind)), "rig" if kind is Rig else "engine card"
            raise InputError(f"there is no {what} called {quoted(name)}; "
                             + (f"saved: {known}" if known else "none has been saved yet"))
        return path

    def save(self, name: str, card: Rig | EngineCard) -> Path:
        """Write a rig or engine card under a name and return its file.

        Raises
        ------
        InputError
            The name cannot be a file's.
        SaveError
            It cannot be written.
        """
        path = self._path(type(card), name)
        save_card(path, card)
        return path

    def _path(self, kind: type[Rig | EngineCard], name: str) -> Path:
        name = unicodedata.normalize("NFC", name)  # some keyboards give a letter and its accent apart
        check_name(name)
        return self.folder / FOLDERS[kind] / f"{name}.toml"


def check_name(name: str) -> None:
    """Complain about a name that a rig or engine card cannot be kept under.

    Raises
    ------
    InputError
        It cannot be a file's name everywhere.
    """
    name = unicodedata.normalize("NFC", name)
    if (not NAME.fullmatch(name) or name != name.strip() or RESERVED.fullmatch(name)
            or len(name.encode("utf-8", "replace")) > MAX_NAME_BYTES):
        raise InputError(f"the name {quoted(name)} cannot be used; use letters, digits, spaces and dashes, at most 64")


def save_card(path: Path, card: Rig | EngineCard) -> None:
    """Write a rig or engine card to a file, whole or not at all; what is as it is by default is left out.

    Raises
    ------
    SaveError
        It cannot be written.
    """
    import tomli_w

    plain = {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(card).items()
             if value not in ("", (), {}, None)}
    write_whole(path, tomli_w.dumps(plain).encode("utf-8", "replace"))


def load_card(path: Path, kind: type[C]) -> C:
    """Return the rig or engine card of a file.

    Raises
    ------
    FileFormatError
        The file, the key, and what is expected of it.
    """
    values = read_toml(path).take_all({item.name: KINDS[kind_of(item.type)] for item in fields(kind)}, _required(kind))
    try:
        return kind(**values)
    except InputError as error:
        raise FileFormatError(path, str(error), "correct the file") from error


def _required(kind: type[Rig | EngineCard]) -> tuple[str, ...]:
    return ("board",) if kind is Rig else ("firing_order",)


def _settings_folder() -> Path:
    import platformdirs

    return Path(platformdirs.user_config_dir("crankfold", appauthor=False))
