"""What a plugin says it can do, without touching any hardware."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from crankfold.acquire.contract import Source

CONTRACT = 1
"""Number of the contract between plugins and this version; a plugin states it as ``crankfold_contract = 1``."""


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
    """

    address: str
    title: str
    serial: str = ""
    problem: str = ""
    fix: str = ""
    device: str = ""


@dataclass(frozen=True)
class Setting:
    """One setting that a plugin understands: its name, what it means, an example, its default as text."""

    name: str
    meaning: str
    example: str
    default: str = ""


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
