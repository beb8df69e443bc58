"""The table of a batch: its columns, and the same bytes for the same rows, as CSV or Parquet."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.analysis import CRANKING, CYLINDER, HEALTH, InputError
from crankfold.viewer.words import safe_cell, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Cell
    from crankfold.viewer.batch.work import Row

CSV, PARQUET = ".csv", ".parquet"
FIRST = ("file", "sha256", "version", "problem", "verdict", "headline", "low", "low_positions", "weakest_percent",
         "reasons", "reasons_said", "cautions", "cautions_said", "notes", "notes_said", "pattern", "seconds",
         "channels", "started_utc", "missing_samples", "engine", "firing_order", "intervals_deg", "strokes", "fuel",
         "system_v", "sync", "sync_cylinder", "sync_events", "sync_confidence", *CRANKING, *HEALTH)
"""Columns that every table has; those of the cylinders follow, as many as the largest engine needs."""

WHOLE = {"missing_samples", "strokes", "sync_cylinder", "sync_events", "cylinder"}
TEXT = {"file", "sha256", "version", "problem", "verdict", "headline", "low", "low_positions", "reasons",
        "reasons_said", "cautions", "cautions_said", "notes", "notes_said", "pattern", "channels", "started_utc",
        "engine", "firing_order", "intervals_deg", "fuel", "sync", "state"}


def check_table_path(path: Path) -> None:
    """Complain early about a table that could not be written.

    Raises
    ------
    InputError
        Its name says neither CSV nor Parquet, or the library for that is missing.
    """
    if path.suffix.lower() not in (CSV, PARQUET):
        raise InputError(say("batch.table_suffix", path=str(path)))
    if path.suffix.lower() == PARQUET:
        _pyarrow()


def table_bytes(rows: Sequence[Row], path: Path) -> bytes:
    """Return the table in the order of its file names, of the kind that the path's ending says."""
    ordered = [{name: _whole_text(cell) for name, cell in row.items()}
               for row in sorted(rows, key=lambda row: str(row["file"]))]
    columns = columns_of(ordered)
    return (_csv if path.suffix.lower() == CSV else _parquet)(ordered, columns)


def columns_of(rows: Sequence[Row]) -> list[str]:
    """Return the names of all columns: those that every table has, then those of the cylinders."""
    most = max((_cylinders(row) for row in rows), default=0)
    return [*FIRST, *(f"position_{k}_{name}" for k in range(1, most + 1) for name in CYLINDER)]


def _cylinders(row: Row) -> int:
    order = row.get("firing_order")
    return order.count("-") + 1 if order else 0


def _csv(rows: Sequence[Row], columns: list[str]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([safe_cell(row.get(name)) for name in columns])
    return text.getvalue().encode("utf-8")


def _parquet(rows: Sequence[Row], columns: list[str]) -> bytes:
    pa = _pyarrow()
    from pyarrow import parquet

    kinds = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64()}
    schema = pa.schema([(name, kinds[kind_of(name)]) for name in columns])
    table = pa.Table.from_arrays([pa.array([row.get(name) for row in rows], type=field.type)
                                  for name, field in zip(columns, schema, strict=True)], schema=schema)
    sink = pa.BufferOutputStream()
    parquet.write_table(table, sink, compression="zstd")
    return bytes(sink.getvalue())


def _whole_text(cell: Cell) -> Cell:
    """Return a cell, a name that is no Unicode (some systems allow any bytes in names) written with escapes."""
    return cell.encode("utf-8", "backslashreplace").decode("utf-8") if isinstance(cell, str) else cell


def kind_of(column: str) -> str:
    """Return what a column holds: text, whole or number."""
    name = column.split("_", 2)[2] if column.startswith("position_") else column
    return "text" if name in TEXT else "whole" if name in WHOLE else "number"


def _pyarrow() -> Any:
    try:
        import pyarrow
    except ModuleNotFoundError as error:
        raise InputError(say("problem.needs_extra", package="pyarrow", extra="formats")) from error
    return pyarrow
