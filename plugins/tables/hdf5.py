"""Reads this program's own capture files back, untouched: they are not triggered again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import EndOfStream, ReaderDeclaration, Samples, Source, SourceInfo, hookimpl, read_stored

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from crankfold.acquire import StoredCapture

crankfold_contract = 1

HDF5_MAGIC = b"\x89HDF\r\n\x1a\n"
BLOCK = 65_536


class CaptureFile(Source):
    """A capture file as a source; samples that were lost are counted, as when they were recorded.

    Parameters
    ----------
    stored
        What the file holds.
    """

    def __init__(self, stored: StoredCapture) -> None:
        super().__init__()
        self._info = stored.info
        self._pieces = _pieces(stored)

    @property
    def info(self) -> SourceInfo:
        """What the file says of itself."""
        return self._info

    def _read(self, timeout_s: float) -> Samples:
        for piece in self._pieces:
            return piece
        raise EndOfStream


def _pieces(stored: StoredCapture) -> Iterator[Samples]:
    """Yield what lies between the gaps, in blocks."""
    rows = stored.piece.codes.T
    at = lost = 0
    edges = [(gap.start, gap.stop) for gap in stored.piece.gaps] + [(len(rows), len(rows))]
    for stop, after in edges:
        while at < stop:
            block = np.ascontiguousarray(rows[at : min(at + BLOCK, stop)])
            yield Samples(block, lost)
            at, lost = at + len(block), 0
        lost += after - max(at, stop)
        at = after
    if lost:
        yield Samples(rows[:0], lost)


def open_capture(path: Path, settings: Mapping[str, str]) -> CaptureFile:
    """Return the open capture file; it has no settings."""
    return CaptureFile(read_stored(path))


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: our own."""
    return [ReaderDeclaration(name="capture", title="Capture file of this program (HDF5)", suffixes=(".hdf5", ".h5"),
                              open=open_capture, recognises=lambda head: head.startswith(HDF5_MAGIC))]
