"""ASAM MDF measurements, version 3 and 4, through asammdf; channels of different rates are brought to the fastest."""

from __future__ import annotations

import logging
from datetime import UTC
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import CONTRACT, ReaderDeclaration, hookimpl
from crankfold.analysis import Notice, quoted
from crankfold.plugins.tables.source import COLUMNS, CURRENT_UNIT, SYNC_UNIT, Column, Table, in_chunks, open_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.acquire import Source

crankfold_contract = CONTRACT

SETTINGS = (COLUMNS, CURRENT_UNIT, SYNC_UNIT)


def open_mdf(path: Path, settings: Mapping[str, str]) -> Source:
    """Return the measurement as a source; each channel brings its own times, so there is no time column to choose."""
    return open_table(path, settings, SETTINGS, "MDF", _load)


def _load(path: Path) -> Table:
    with path.open("rb") as file:
        if file.read(3) != b"MDF":
            raise ValueError("it does not begin like one")
    measurement = _opened(path)
    places: list[tuple[int, int]] = []
    columns: list[Column] = []
    for g, group in enumerate(measurement.groups):
        for c, channel in enumerate(group.channels):
            if c == measurement.masters_db.get(g):
                continue
            sample = measurement.get(group=g, index=c, record_count=1)
            columns.append(Column(channel.name, str(sample.unit or ""), numeric=sample.samples.dtype.kind in "iuf"
                                  and sample.samples.ndim == 1))
            places.append((g, c))
    notices: list[Notice] = []

    def rows(used: Sequence[int]) -> Iterator[NDArray[np.float64]]:
        signals = [measurement.get(group=places[i][0], index=places[i][1]) for i in used]
        yield from in_chunks(_together(signals, notices))

    started = measurement.header.start_time
    comment = str(getattr(measurement.header, "description", "") or "").strip()
    return Table(tuple(columns), rows, own_times=True, notices=notices, close=measurement.close,
                 started_utc=started.astimezone(UTC) if started is not None else None,
                 notes={"comment": comment} if comment else {})


def _opened(path: Path) -> Any:
    """Return the measurement; one that fails half-way is laid to rest, or its end would complain on standard error."""
    from asammdf import MDF

    logging.getLogger("asammdf").setLevel(logging.CRITICAL + 1)  # what it logs on a damaged file it raises as well
    try:
        return MDF(path)
    except Exception as error:
        trace = error.__traceback__
        while trace is not None:
            half_made = trace.tb_frame.f_locals.get("self")
            if half_made is not None and type(half_made).__module__.startswith("asammdf.blocks"):
                half_made._file = getattr(half_made, "_file", None)
                half_made.close()
            trace = trace.tb_next
        raise


def _together(signals: Sequence[Any], notices: list[Notice]) -> list[NDArray[np.float64]]:
    """Return times and the values of all signals at them: those of the fastest, straight lines between the others'."""
    fastest = max(signals, key=lambda signal: len(signal.timestamps))
    times = np.asarray(fastest.timestamps, dtype=np.float64)
    together = [times]
    for signal in signals:
        values = np.asarray(signal.samples, dtype=np.float64)
        if len(signal.timestamps) != len(times) or not np.array_equal(signal.timestamps, times):
            values = np.interp(times, signal.timestamps, values, left=np.nan, right=np.nan)
            notices.append(Notice("other-times", {"channel": quoted(signal.name), "fastest": quoted(fastest.name)}))
        together.append(values)
    return together


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: MDF."""
    return (ReaderDeclaration("mdf", "ASAM MDF measurements", (".mf4", ".mdf"), open_mdf,
                              lambda head: head.startswith(b"MDF "), SETTINGS),)
