"""What a plugin says it can do, without touching any hardware."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from crankfold.acquire.errors import SettingError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from crankfold.acquire.contract import Source

SettingKind = Literal["text", "number", "whole", "choice", "yes-no"]
YES_NO = {"yes": True, "no": False, "on": True, "off": False, "true": True, "false": False, "1": True, "0": False}

PRIVATE = frozenset({"secret", "password", "token"})
"""Settings of these names are kept in no capture: files are given away."""

CONTRACT = 1
"""Number of the contract between plugins and this version; a plugin states it as ``crankfold_contract = 1``."""


def shareable(settings: Mapping[str, str]) -> dict[str, str]:
    """Return the settings that a file may hold: without those that are nobody else's business."""
    return {name: value for name, value in settings.items() if name not in PRIVATE}


@dataclass(frozen=True)
class Capabilities:
    """What a board that was found can do, as far as that is known without opening it.

    Parameters
    ----------
    inputs
        Channels it has, 0: not known.
    highest_rate_hz
        Samples a second of each, 0.0: not known.
    bits
        Of its converter, 0: not known.
    """

    inputs: int = 0
    highest_rate_hz: float = 0.0
    bits: int = 0


@dataclass(frozen=True)
class BoardFound:
    """A board that was seen, whether or not it can be opened.

    Parameters
    ----------
    address
        What to give to `BoardDeclaration.open`; by serial number where the board has one.
    title
        For people.
    serial
        The board's serial number, empty when it has none.
    problem, fix
        Why it cannot be opened now and what to do, both empty when it can.
    device
        What the system calls it at the moment, such as a port's name; another one tomorrow. Empty when it has none.
    can
        What it can do.
    """

    address: str
    title: str
    serial: str = ""
    problem: str = ""
    fix: str = ""
    device: str = ""
    can: Capabilities = field(default_factory=Capabilities)


@dataclass(frozen=True)
class Setting:
    """One setting that a plugin understands.

    Parameters
    ----------
    name
        Short, lower case.
    meaning
        One line.
    example, default
        As texts; the default is empty where there is none.
    kind
        ``text``, ``number``, ``whole``, ``choice`` or ``yes-no``: values that are none are refused before the board is
        opened.
    choices
        Of a choice.
    lowest, highest
        Of a number, both included.
    """

    name: str
    meaning: str
    example: str
    default: str = ""
    kind: SettingKind = "text"
    choices: tuple[str, ...] = ()
    lowest: float = -math.inf
    highest: float = math.inf

    def check(self, text: str) -> None:
        """Complain about a value that cannot be.

        Raises
        ------
        SettingError
            It is not of this kind, or out of its range.
        """
        self.value(text)

    def value(self, text: str) -> str | float | int | bool:
        """Return the value of a text: a float of a number, an int of a whole one, a bool of yes or no.

        Raises
        ------
        SettingError
            It is not of this kind, or out of its range.

        >>> Setting("rate", "samples a second", "500", kind="number", lowest=1, highest=1000).value("250")
        250.0
        """
        tidy = text.strip()
        if self.kind in {"number", "whole"}:
            return self._number(tidy)
        if self.kind == "choice" and tidy not in self.choices:
            raise SettingError(f"{self.name}={tidy} cannot be used", f"give one of {', '.join(self.choices)}")
        if self.kind == "yes-no":
            if tidy.lower() not in YES_NO:
                raise SettingError(f"{self.name}={tidy} cannot be used", "give yes or no")
            return YES_NO[tidy.lower()]
        return tidy

    def _number(self, text: str) -> float | int:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        whole = self.kind == "whole"
        if not self.lowest <= value <= self.highest or not math.isfinite(value) or (whole and value != int(value)):
            limits = [f"{'from' if at == 0 else 'to'} {limit:g}" for at, limit
                      in enumerate((self.lowest, self.highest)) if math.isfinite(limit)]
            raise SettingError(f"{self.name}={text} cannot be used",
                               " ".join([f"give a {'whole ' if whole else ''}number", *limits]))
        return int(value) if whole else value


@dataclass(frozen=True)
class BoardDeclaration:
    """A kind of board.

    Parameters
    ----------
    name
        Short and unique: the word before the colon in ``--from NAME:ADDRESS``.
    title
        For people, one line.
    open
        ``open(address, settings) -> Source``; raises an `AcquireError`. An empty address means: the only one there is.
    discover
        ``discover(deadline_s) -> boards``; touches as little as it can, returns within the deadline.
    settings
        What `settings` may hold; others are refused by name.
    address_help
        One line on what an address looks like.
    """

    name: str
    title: str
    open: Callable[[str, Mapping[str, str]], Source]
    discover: Callable[[float], Iterable[BoardFound]]
    settings: tuple[Setting, ...] = ()
    address_help: str = ""


@dataclass(frozen=True)
class ReaderDeclaration:
    """A kind of file.

    Parameters
    ----------
    name
        Short and unique.
    title
        For people, one line.
    suffixes
        File name endings, lower case with the dot, longest first (``.csv.gz``).
    open
        ``open(path, settings) -> Source``; raises `FileFormatError`.
    recognises
        ``recognises(head) -> bool`` on the first 4 KiB, for files whose name tells nothing.
    settings
        What `settings` may hold.
    """

    name: str
    title: str
    suffixes: tuple[str, ...]
    open: Callable[[Path, Mapping[str, str]], Source]
    recognises: Callable[[bytes], bool]
    settings: tuple[Setting, ...] = ()
