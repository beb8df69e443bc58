"""Parquet tables, a batch of rows at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import CONTRACT, ReaderDeclaration, hookimpl
from crankfold.plugins.tables.source import CHUNK_ROWS, TABLE_SETTINGS, Column, Table, open_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.acquire import Source

crankfold_contract = CONTRACT


def open_parquet(path: Path, settings: Mapping[str, str]) -> Source:
    """Return the table as a source; a time stamp column is the time, the unit of a field stands in its metadata."""
    return open_table(path, settings, TABLE_SETTINGS, "Parquet", _load)


def _load(path: Path) -> Table:
    import pyarrow as pa
    from pyarrow import parquet

    file = parquet.ParquetFile(path)
    schema = file.schema_arrow
    stamps = [pa.types.is_timestamp(column.type) or pa.types.is_duration(column.type) for column in schema]
    columns = tuple(
        Column(column.name, "s" if stamp else _unit(column.metadata),
               numeric=stamp or pa.types.is_integer(column.type) or pa.types.is_floating(column.type))
        for column, stamp in zip(schema, stamps, strict=True))

    def rows(used: Sequence[int]) -> Iterator[NDArray[np.float64]]:
        names = [schema.field(i).name for i in used]
        for batch in file.iter_batches(batch_size=CHUNK_ROWS, columns=names):
            yield np.column_stack([_numbers(batch.column(name), stamp=stamps[i])
                                   for name, i in zip(names, used, strict=True)])

    notes = {_text(key): _text(value) for key, value in (schema.metadata or {}).items()
             if key not in {b"pandas", b"ARROW:schema"}}
    return Table(columns, rows, rate_hz=_said_rate(notes), notes=notes, close=file.close)


def _numbers(column: Any, *, stamp: bool) -> NDArray[np.float64]:
    """Return a column as float64, missing values as NaN, time stamps as seconds."""
    import pyarrow as pa

    if not stamp:
        return np.asarray(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)
    per_second = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[column.type.unit]
    whole = column.cast(pa.int64())
    return np.asarray(whole.to_numpy(zero_copy_only=False), dtype=np.float64) / per_second


def _unit(metadata: Mapping[bytes, bytes] | None) -> str:
    found = {_text(key).lower(): _text(value) for key, value in (metadata or {}).items()}
    return found.get("unit", found.get("units", ""))


def _said_rate(notes: Mapping[str, str]) -> float | None:
    for name in ("rate_hz", "sample_rate_hz", "sample_rate"):
        try:
            return float(notes[name])
        except (KeyError, ValueError):
            continue
    return None


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: Parquet."""
    return (ReaderDeclaration("parquet", "Parquet tables", (".parquet", ".pq"), open_parquet,
                              lambda head: head.startswith(b"PAR1"), TABLE_SETTINGS),)
