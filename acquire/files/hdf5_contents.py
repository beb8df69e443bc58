"""What is in an HDF5 file, for a process that may crash: its members with their attributes, or the values of one.

Only numbers and texts of fixed length are told. Links to elsewhere are not followed, and what needs the heap of texts
of variable length is not read: it has no checksum, and one wrong byte can keep the library busy for ever.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import h5py
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

MOST_MEMBERS = 10_000  # of a file that is described; recordings have a few
MOST_ELEMENTS = 1000  # of an attribute; ours have at most two
BOOKKEEPING = "#"  # begins the names of what MATLAB keeps for itself


def answer(path: Path, request: Mapping[str, Any]) -> tuple[dict[str, Any], list[Any]]:
    """Return the file's members as facts, or the values of the one that is named."""
    name = request["name"]
    with h5py.File(path, "r") as file:
        if name is None:
            return {"members": _described(file)}, []
        return {}, [np.asarray(file[name][()], file[name].dtype)]


def _described(file: Any) -> dict[str, Any]:
    members = {"": _facts(file)}

    def visit(name: str, item: Any) -> None:
        if not name.startswith(BOOKKEEPING):
            members[name] = _facts(item)
        if len(members) > MOST_MEMBERS:
            raise ValueError(f"it has more than {MOST_MEMBERS} groups and data sets")

    file.visititems(visit)
    return members


def _facts(item: Any) -> dict[str, Any]:
    facts: dict[str, Any] = {"attributes": _attributes(item.attrs)}
    if isinstance(item, h5py.Group):
        if len(item) > MOST_MEMBERS:
            raise ValueError(f"a group in it has more than {MOST_MEMBERS} members")
        return facts | {"holds": list(item)}
    if not isinstance(item, h5py.Dataset) or item.shape is None:
        return facts
    plain = item.dtype.kind in "iufS" and not (item.is_virtual or item.external)
    return facts | {"shape": item.shape, "type": item.dtype.str if plain else ""}


def _attributes(attributes: Any) -> dict[str, Any]:
    """Return those that are numbers or texts of fixed length: type and size are looked at before the value."""
    found: dict[str, Any] = {}
    for name in attributes:
        about = attributes.get_id(name)
        size = 1
        for length in about.shape:
            size *= length
        if about.dtype.kind in "iuf" and about.dtype.itemsize <= 8 and size <= MOST_ELEMENTS:
            found[name] = attributes[name].tolist()
        elif about.dtype.kind == "S" and about.shape == ():
            found[name] = bytes(attributes[name]).decode("latin-1")
    return found
