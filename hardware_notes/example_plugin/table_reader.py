"""An example reader: a file of two columns of whole numbers, one line a sample, after a line with the rate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from crankfold.acquire import (
    CURRENT,
    SYNC,
    Channel,
    EndOfStream,
    FileFormatError,
    ReaderDeclaration,
    Samples,
    Source,
    SourceInfo,
    hookimpl,
)

crankfold_contract = 1
MAGIC = b"tick-table "
CHANNELS = (Channel(CURRENT, "A", 0.1, code_dtype="int32"), Channel(SYNC, "V", 0.01, code_dtype="int32"))
BLOCK = 4096


class TickTable(Source):
    """A whole file in memory, handed on in blocks."""

    def __init__(self, path: Path, settings: Mapping[str, str]) -> None:
        super().__init__()
        try:
            head, _, rows = path.read_bytes().partition(b"\n")
            if not head.startswith(MAGIC):
                raise ValueError("it does not begin with the rate")
            rate_hz = float(head[len(MAGIC) :])
            self._codes = np.loadtxt(rows.decode("ascii").splitlines(), dtype=np.int32, delimiter=",", ndmin=2)
            if self._codes.shape[1] != len(CHANNELS):
                raise ValueError(f"a line holds {self._codes.shape[1]} numbers")
        except (OSError, ValueError) as error:
            raise FileFormatError(path, f"this is no tick table ({error})", "record again") from error
        self._at = 0
        self._info = SourceInfo(rate_hz, CHANNELS, self._codes.dtype, path.name, str(path), finite=True, live=False)

    @property
    def info(self) -> SourceInfo:
        """What the file says of itself."""
        return self._info

    def _read(self, timeout_s: float) -> Samples | None:
        if self._at >= len(self._codes):
            raise EndOfStream
        self._at += BLOCK
        return Samples(self._codes[self._at - BLOCK : self._at])


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file."""
    return [ReaderDeclaration("tick-table", "an example table", (".tick",), TickTable,
                              lambda head: head.startswith(MAGIC))]
