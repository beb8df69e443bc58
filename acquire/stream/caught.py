"""From codes to a `Capture` in units: of a piece copied out of the ring, or of a source that is a whole capture."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.errors import AcquireError
from crankfold.acquire.stream.ring import Piece
from crankfold.analysis import Capture, Gap

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from numpy.typing import NDArray

    from crankfold.acquire.contract import Block, Source, SourceInfo
    from crankfold.acquire.stream.journal import JournalWriter
    from crankfold.analysis import Notice

AT_ONCE = 32_768  # samples scaled at a time: they stay in the cache, and the board waits less long for its next read
MIN_SKEW_SAMPLES = 1e-3  # a thousandth of a sample is below any converter's own jitter
READ_S = 1.0


@dataclass(frozen=True, eq=False)
class CaughtCrank:
    """One crank as it was copied out of the ring; scaling it may take a while and is left to whoever wants it.

    Parameters
    ----------
    piece, info, rate_hz, trigger_index, started_utc, notes, about, notices
        As `make_capture` takes them.
    journal
        Where it was written meanwhile, None: nowhere.
    """

    piece: Piece
    info: SourceInfo
    rate_hz: float
    trigger_index: int | None
    started_utc: datetime | None
    notes: dict[str, str] = field(default_factory=dict)
    journal: JournalWriter | None = None
    about: Mapping[str, Any] | None = None
    notices: tuple[Notice, ...] | None = None

    def capture(self) -> Capture:
        """Return the capture."""
        return make_capture(self.piece, self.info, rate_hz=self.rate_hz, trigger_index=self.trigger_index,
                            started_utc=self.started_utc, notes=self.notes, about=self.about,
                            notices=self.notices)


def make_capture(piece: Piece, info: SourceInfo, *, rate_hz: float, trigger_index: int | None = None,
                 started_utc: datetime | None = None, notes: dict[str, str] | None = None,
                 about: Mapping[str, Any] | None = None, notices: tuple[Notice, ...] | None = None) -> Capture:
    """Return the capture of a piece of the stream.

    Parameters
    ----------
    piece
        Codes, shape (channels, samples).
    info
        Of the source: scales and units.
    rate_hz
        Samples a second, as measured where it was measured.
    trigger_index
        Absolute index of the onset, None if there is none.
    started_utc
        When the first sample of the piece was taken.
    notes
        More notes than the source's own.
    about, notices
        What the capture knows of itself, and what its source survived, in place of what the source says.
    """
    samples = np.empty((piece.codes.shape[1], piece.codes.shape[0]))
    for start in range(0, len(samples), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        for at, channel in enumerate(info.channels):
            samples[part, at] = piece.codes[at, part] * channel.scale + channel.offset
    delayed = 0.0
    for at in range(len(info.channels)):
        skew = info.skew_s[at] * rate_hz if info.skew_s else 0.0
        if abs(skew) > MIN_SKEW_SAMPLES:
            samples[:, at] = earlier(samples[:, at], skew)
            delayed = max(delayed, abs(skew))
    spread = int(np.ceil(delayed))  # samples that were interpolated from a lost one
    gaps = tuple(Gap(g.start - piece.first_index, min(g.length + spread, piece.next_index - g.start))
                 for g in piece.gaps)
    return Capture(
        samples, rate_hz, info.channels,
        trigger_index=None if trigger_index is None else trigger_index - piece.first_index,
        gaps=_apart(gaps), origin=info.address or info.title, notes={**info.notes, **(notes or {})},
        about=info.about if about is None else about, notices=info.notices if notices is None else notices,
        started_utc=started_utc)


def earlier(samples: NDArray[np.float64], skew: float) -> NDArray[np.float64]:
    """Return a channel sampled `skew` samples late as if sampled in time, linearly interpolated, shape (n,)."""
    places = np.arange(len(samples), dtype=np.float64)
    return np.interp(places - skew, places, samples)


def _apart(gaps: tuple[Gap, ...]) -> tuple[Gap, ...]:
    """Return gaps with those that have come to overlap joined."""
    joined: list[Gap] = []
    for gap in gaps:
        if joined and gap.start <= joined[-1].stop:
            joined[-1] = Gap(joined[-1].start, max(gap.stop, joined[-1].stop) - joined[-1].start)
        else:
            joined.append(gap)
    return tuple(joined)


def read_captured(source: Source) -> Capture:
    """Return all of a started source as one capture with the trigger index it came with.

    Raises
    ------
    AcquireError
        The source is broken, empty, or misses an unknown number of samples.
    """
    blocks: list[Block] = []
    while not source.finished:
        block = source.read(READ_S)
        if block is not None:
            blocks.append(block)
    if not blocks:
        raise AcquireError(f"{source.info.title} holds no samples", "record again")
    info = source.info
    codes = np.zeros((len(info.channels), blocks[-1].next_index), info.dtype)
    gaps = []
    for block in blocks:
        if block.lost_before is None:
            raise AcquireError(f"{info.title} misses an unknown number of samples", "record again")
        if block.lost_before:
            gaps.append(Gap(block.first_index - block.lost_before, block.lost_before))
        codes[:, block.first_index : block.next_index] = block.codes.T
    return make_capture(Piece(codes, 0, tuple(gaps)), info, rate_hz=source.measured_rate_hz or info.rate_hz,
                        trigger_index=info.trigger_index, started_utc=info.started_utc, notices=source.notices)
