"""HDF5 files as plain numbers and texts; the library works in a process of its own, for hostile files are to be had."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import prod
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.files.isolated import MAX_BYTES, Apart, ApartError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

READER = "crankfold.acquire.files.hdf5_contents:answer"


@dataclass(frozen=True)
class Member:
    """A group or a data set of a file.

    Parameters
    ----------
    attributes
        Those that are numbers, lists of numbers or texts.
    holds
        Names of a group's members; None for a data set.
    shape, kind
        Of a data set; `kind` is None unless it is numbers or texts of fixed length, stored in this very file.
    """

    attributes: Mapping[str, Any] = field(default_factory=dict)
    holds: tuple[str, ...] | None = None
    shape: tuple[int, ...] = ()
    kind: np.dtype[Any] | None = None


class Hdf5File:
    """A file that is read within one deadline, and within one recording's room.

    Parameters
    ----------
    path
        Where it is.

    Attributes
    ----------
    members
        What is in it by its path within it, the file itself under the empty name.

    Raises
    ------
    ApartError
        It is not read.
    OSError
        There is no such file, or it may not be read.
    """

    def __init__(self, path: Path) -> None:
        self._apart, self._room = Apart(path, READER), MAX_BYTES
        facts, _ = self._apart.ask({"name": None})
        self.members = {name: _member(about) for name, about in facts["members"].items()}

    def values(self, name: str) -> NDArray[Any]:
        """Return the values of a data set, of its own shape and type.

        Raises
        ------
        ApartError
            It is no plain data set, claims more than a recording has, or is not read.
        """
        member = self.members[name]
        if member.kind is None:
            raise ApartError(f"{name} is not numbers or text stored in this file")
        size = prod(member.shape)
        self._room -= size * max(member.kind.itemsize, np.dtype(np.float64).itemsize)
        if self._room < 0:
            raise ApartError(f"it claims more than a recording holds, {size} samples in {name}")
        _, content = self._apart.ask({"name": name})
        if len(content) != size * member.kind.itemsize:
            raise ApartError(f"{name} is not as long as it says")
        return np.frombuffer(content, member.kind).reshape(member.shape)


def _member(facts: Mapping[str, Any]) -> Member:
    return Member(facts["attributes"], tuple(facts["holds"]) if "holds" in facts else None,
                  tuple(facts.get("shape", ())), np.dtype(facts["type"]) if facts.get("type") else None)
