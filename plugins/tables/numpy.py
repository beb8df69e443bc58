"""NumPy's own files: one array, or several by name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import CONTRACT, ReaderDeclaration, hookimpl
from crankfold.plugins.tables.arrays import table_of
from crankfold.plugins.tables.source import TABLE_SETTINGS, Table, open_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from crankfold.acquire import Source

crankfold_contract = CONTRACT

MAGICS = (b"\x93NUMPY", b"PK\x03\x04")


def open_numpy(path: Path, settings: Mapping[str, str]) -> Source:
    """Return the arrays of the file as a source: columns of a table, fields of records, or arrays by name."""
    return open_table(path, settings, TABLE_SETTINGS, "NumPy", _load)


def _load(path: Path) -> Table:
    with path.open("rb") as file:
        magic = file.read(6)
    if magic == MAGICS[0]:
        return table_of({"": np.load(path, mmap_mode="r", allow_pickle=False)}, path)
    with np.load(path, allow_pickle=False) as archive:
        arrays: dict[str, Any] = {name: archive[name] for name in archive.files}
    return table_of(arrays, path)


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: arrays that NumPy saved."""
    return (ReaderDeclaration("numpy", "NumPy arrays", (".npz", ".npy"), open_numpy,
                              lambda head: head.startswith(MAGICS[0]), TABLE_SETTINGS),)
