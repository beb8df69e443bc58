"""Arrays by name as a table: a two-dimensional one is columns, equally long ones go together, a number is a rate."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import FileFormatError
from crankfold.plugins.tables.source import Column, Table, in_chunks

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

RATE_NAMES = frozenset({"rate", "fs", "samplerate", "samplingrate", "samplefrequency", "samplingfrequency", "ratehz",
                        "sampleratehz"})
STEP_NAMES = frozenset({"dt", "ts", "timestep", "sampleinterval", "tsample", "interval"})
MOST_COLUMNS = 64
"""A two-dimensional array wider than this is taken as rows of channels lying on their side."""


def table_of(arrays: Mapping[str, Any], path: Path) -> Table:
    """Return a table of the arrays that are as long as most of them.

    Raises
    ------
    FileFormatError
        None of them is a recording.
    """
    found = [column for name, array in arrays.items() for column in _columns(name, np.asarray(array))]
    lengths = Counter(len(values) for _, values in found if len(values) > 1)
    if not lengths:
        raise FileFormatError(path, "there is no array of samples in it", "save the current as an array of numbers")
    length = max(lengths, key=lambda n: (lengths[n], n))
    kept = [(name, values) for name, values in found if len(values) == length]
    columns = tuple(Column(name, numeric=values.dtype.kind in "iufb") for name, values in kept)
    notes = {name: str(array) for name, array in arrays.items() if isinstance(array, str)}
    return Table(columns, lambda used: in_chunks([kept[i][1] for i in used]), rate_hz=_rate(arrays), notes=notes)


def _columns(name: str, array: np.ndarray) -> list[tuple[str, np.ndarray]]:
    if array.dtype.names:
        return [(field, array[field].ravel()) for field in array.dtype.names]
    if array.dtype.kind not in "iufb" or array.ndim not in {1, 2} or array.size == 0:
        return []
    if array.ndim == 2 and array.shape[1] > max(MOST_COLUMNS, array.shape[0]):
        array = array.T
    if array.ndim == 1 or 1 in array.shape:
        return [(name, array.ravel())]
    return [(f"{name} {i + 1}".strip() if name else "", array[:, i]) for i in range(array.shape[1])]


def _rate(arrays: Mapping[str, Any]) -> float | None:
    for name, value in arrays.items():
        plain = re.sub(r"[^a-z]", "", name.lower())
        number = np.asarray(value)
        if number.size != 1 or number.dtype.kind not in "iuf" or not float(number.ravel()[0]) > 0:
            continue
        if plain in RATE_NAMES:
            return float(number.ravel()[0])
        if plain in STEP_NAMES:
            return 1.0 / float(number.ravel()[0])
    return None
