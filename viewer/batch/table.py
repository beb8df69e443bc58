"""The table of a batch: its columns, and the same bytes for the same rows, as CSV or Parquet, written as rows come."""

from __future__ import annotations

import csv
import io
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from crankfold.analysis import CRANKING, CYLINDER, HEALTH, InputError
from crankfold.viewer.words import safe_cell, say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

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
        "engine", "firing_order", "intervals_deg", "fuel", "sync", "state", "key"}
AT_ONCE = 1024  # rows in a piece of a Parquet file: memory holds one piece at a time
MARK = b"crankfold.table/1"
"""Stands in every Parquet file of ours, so that none is taken for a capture."""

CSV_MARK = ",".join(FIRST[:6]).encode()
TAIL_BYTES = 65_536  # where a Parquet file has its facts; ours take about twenty thousand bytes


def is_data_set(path: Path) -> bool:
    """Return whether a table's name means a folder of Parquet files."""
    return path.is_dir() or not path.suffix


def check_table_path(path: Path) -> None:
    """Complain early about a table that could not be written.

    Raises
    ------
    InputError
        Its name says neither CSV nor Parquet, or the library for that is missing.
    """
    if not is_data_set(path) and path.suffix.lower() not in (CSV, PARQUET):
        raise InputError(say("batch.table_suffix", path=str(path)))
    if path.suffix.lower() != CSV:
        pyarrow_for("formats")


def is_table(path: Path) -> bool:
    """Return whether a file is a table of an earlier batch, and no capture."""
    ending = path.suffix.lower()
    if ending not in (CSV, PARQUET):
        return False
    try:
        with path.open("rb") as file:
            if ending == CSV:
                return file.read(len(CSV_MARK)) == CSV_MARK
            file.seek(max(0, file.seek(0, io.SEEK_END) - TAIL_BYTES))
            return MARK in file.read()
    except OSError:
        return False  # why it cannot be read is told in its row


def columns_of(cylinders: int) -> list[str]:
    """Return the names of all columns: those that every table has, then those of so many cylinders."""
    return [*FIRST, *(f"position_{k}_{name}" for k in range(1, cylinders + 1) for name in CYLINDER)]


def cylinders_of(row: Row) -> int:
    """Return how many cylinders the engine of a row has, 0 where that is not known."""
    order = row.get("firing_order")
    return str(order).count("-") + 1 if order else 0


def write_table(file: BinaryIO, rows: Iterable[Row], columns: Sequence[str], ending: str) -> None:
    """Write rows in the order in which they come.

    Parameters
    ----------
    ending
        `CSV` or `PARQUET`.

    Raises
    ------
    OSError
        The disk is full.
    """
    cells = ({name: printable(cell) if isinstance(cell, str) else cell for name, cell in row.items()} for row in rows)
    (_write_csv if ending == CSV else write_parquet)(file, cells, columns)


def _write_csv(file: BinaryIO, rows: Iterable[Row], columns: Sequence[str]) -> None:
    text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=False)
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([safe_cell(row.get(name)) for name in columns])
    text.detach()


def write_parquet(file: BinaryIO, rows: Iterable[Row], columns: Sequence[str]) -> None:
    """Write rows as Parquet, a piece at a time.

    Raises
    ------
    OSError
        The disk is full.
    """
    pa = pyarrow_for("formats")
    from pyarrow import parquet

    kinds = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64()}
    schema = pa.schema([(name, kinds[kind_of(name)]) for name in columns], metadata={"crankfold": MARK})
    coming, first = iter(rows), True
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        while (some := list(islice(coming, AT_ONCE))) or first:
            writer.write_table(pa.Table.from_arrays(
                [pa.array([row.get(name) for row in some], type=field.type) for name, field in
                 zip(columns, schema, strict=True)], schema=schema))
            first = False


def printable(text: str) -> str:
    """Return a text, a name that is no Unicode (some systems allow any bytes in names) written with escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def kind_of(column: str) -> str:
    """Return what a column holds: text, whole or number."""
    name = column.split("_", 2)[2] if column.startswith("position_") else column
    return "text" if name in TEXT else "whole" if name in WHOLE else "number"


def pyarrow_for(extra: str) -> Any:
    """Return the library for Parquet.

    Raises
    ------
    InputError
        It is not installed; the sentence names the extra that brings it.
    """
    try:
        import pyarrow
    except ModuleNotFoundError as error:
        raise InputError(say("problem.needs_extra", package="pyarrow", extra=extra)) from error
    return pyarrow
