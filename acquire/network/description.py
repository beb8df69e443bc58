"""What a source says of itself, as JSON data and back: the same for every kind of board."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire.contract import Channel, SourceInfo
from crankfold.acquire.errors import BoardGarbledError
from crankfold.analysis import CrankfoldError

if TYPE_CHECKING:
    from collections.abc import Mapping

DTYPES = ("<i1", "<u1", "<i2", "<u2", "<i4", "<u4", "<f4", "<f8")
MOST_CHANNELS = 64
UNREADABLE = "the board's description can't be read", "use the same version of this program on both computers"


def described(info: SourceInfo) -> dict[str, Any]:
    """Return an info as JSON data; see the page on the network for its fields."""
    return {
        "title": info.title, "rate_hz": info.rate_hz, "dtype": _sent(info.dtype).str.replace("|", "<"),
        "finite": info.finite, "records": info.records, "skew_s": list(info.skew_s),
        "notes": {str(name): str(text) for name, text in info.notes.items()},
        "channels": [{
            "name": c.name, "unit": c.unit, "scale": c.scale, "offset": c.offset, "stands_in": c.stands_in,
            "code_range": None if c.code_range is None else [int(code) for code in c.code_range],
            "code_dtype": c.code_dtype} for c in info.channels]}


def _sent(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """Return the little-endian form of a dtype."""
    return dtype.newbyteorder("<")


def understood(data: Mapping[str, Any], address: str, resumes_s: float) -> SourceInfo:
    """Return the info that `described` made, for a board at an address of the network.

    Raises
    ------
    BoardGarbledError
        It is none.
    """
    try:
        rate_hz, dtype = float(data["rate_hz"]), str(data["dtype"])
        channels = tuple(_channel(item) for item in data["channels"])
        if dtype not in DTYPES or not 1 <= len(channels) <= MOST_CHANNELS or not 0.0 < rate_hz < math.inf:
            raise ValueError(dtype)
        skew_s = tuple(float(late) for late in data.get("skew_s", ()))
        notes = {str(name): str(text) for name, text in dict(data.get("notes", {})).items()}
        return SourceInfo(rate_hz, channels, np.dtype(dtype), f"{data['title']} at {address}", address,
                          finite=bool(data.get("finite")), records=bool(data.get("records")), notes=notes,
                          skew_s=skew_s if len(skew_s) == len(channels) else (), resumes_s=resumes_s)
    except (KeyError, TypeError, ValueError, CrankfoldError) as error:
        raise BoardGarbledError(*UNREADABLE) from error


def _channel(data: Mapping[str, Any]) -> Channel:
    low_high = data.get("code_range")
    ends = None if low_high is None else (int(low_high[0]), int(low_high[1]))
    return Channel(str(data["name"]), str(data.get("unit", "")), float(data.get("scale", 1.0)),
                   float(data.get("offset", 0.0)), ends, str(data.get("code_dtype", "float64")),
                   str(data.get("stands_in", "")))
