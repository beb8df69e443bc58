"""MATLAB files: up to version 7 through scipy, version 7.3, which is HDF5, through h5py.

Both work in a process of their own: they trust what a file says of itself, and one wrong number can crash them.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import CONTRACT, Apart, Hdf5File, ReaderDeclaration, hookimpl
from crankfold.plugins.tables.arrays import table_of
from crankfold.plugins.tables.source import TABLE_SETTINGS, Table, open_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from crankfold.acquire import Source

crankfold_contract = CONTRACT

READER = "crankfold.plugins.tables.matlab:by_scipy"
HDF5_MAGIC = b"\x89HDF\r\n\x1a\n"
HEADER_BYTES = 512
"""Length of the text header in front of the HDF5 part of a version 7.3 file."""


def open_matlab(path: Path, settings: Mapping[str, str]) -> Source:
    """Return the variables of the file as a source; those of one structure count like variables."""
    return open_table(path, settings, TABLE_SETTINGS, "MATLAB", _load)


def _load(path: Path) -> Table:
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES + len(HDF5_MAGIC))
    if head.endswith(HDF5_MAGIC) or head.startswith(HDF5_MAGIC):
        return table_of(_from_hdf5(path), path)
    return table_of(_from_scipy(path), path)


def _from_scipy(path: Path) -> dict[str, Any]:
    facts, content = Apart(path, READER).ask()
    arrays: dict[str, Any] = dict(facts["texts"])
    at = 0
    for name, kind, shape in facts["arrays"]:
        count = prod(shape)
        arrays[name] = np.frombuffer(content, kind, count, at).reshape(shape)
        at += count * np.dtype(kind).itemsize
    return arrays


def by_scipy(path: Path, request: Mapping[str, Any]) -> tuple[dict[str, Any], list[Any]]:
    """Return names, types and shapes of the numeric variables, the texts, and the variables themselves."""
    from scipy.io import loadmat

    found = _flat(loadmat(path, simplify_cells=True))
    arrays = {name: array for name, value in found.items() if (array := np.asarray(value)).dtype.kind in "iufb"}
    texts = {name: value for name, value in found.items() if isinstance(value, str)}
    return ({"arrays": [[name, array.dtype.str, array.shape] for name, array in arrays.items()], "texts": texts},
            list(arrays.values()))


def _flat(variables: Mapping[str, Any]) -> dict[str, Any]:
    """Return variables and the fields of structures by name, bookkeeping left out."""
    flat: dict[str, Any] = {}
    for name, value in variables.items():
        if name.startswith("__"):
            continue
        flat |= _flat(value) if isinstance(value, dict) else {name: value}
    return flat


def _from_hdf5(path: Path) -> dict[str, Any]:
    """Return the numeric data sets; what MATLAB calls rows, HDF5 calls columns."""
    arrays: dict[str, Any] = {}
    file = Hdf5File(path)
    for name, member in file.members.items():
        if member.kind is not None and member.kind.kind in "iuf":
            values = file.values(name).T
            text = member.attributes.get("MATLAB_class") == "char"
            arrays[name.rsplit("/", 1)[-1]] = "".join(chr(code) for code in values.ravel()) if text else values
    return arrays


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: variables that MATLAB saved."""
    return (ReaderDeclaration("matlab", "MATLAB files", (".mat",), open_matlab,
                              lambda head: head.startswith(b"MATLAB "), TABLE_SETTINGS),)
