"""What every table of samples needs: the rows that were not lost, their times, and columns with names and units."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Capture, Channel


def kept_rows(capture: Capture) -> NDArray[np.intp]:
    """Return the indices of the samples that are there in all channels, shape (rows,)."""
    return np.flatnonzero(np.isfinite(capture.samples).all(axis=1))


def heading(name: str, unit: str) -> str:
    """Return a column's name with its unit in brackets, where it has one."""
    return f"{name} ({unit})" if unit else name


def started_text(capture: Capture) -> str:
    """Return the moment of the first sample in ISO 8601, empty when nobody knows."""
    return "" if capture.started_utc is None else capture.started_utc.isoformat()


def is_coded(channel: Channel) -> bool:
    """Return whether the channel's samples came as whole codes of a converter."""
    return np.dtype(channel.code_dtype).kind in "iu"
