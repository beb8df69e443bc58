"""From samples to the means of frames, and where a row of them leaves zero."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from crankfold.analysis import Channel


def frame_means(whole: NDArray[Any], channel: Channel, before: float) -> NDArray[np.float64]:
    """Return the frame means in the channel's unit, lost samples left out; a lost frame repeats the one before it.

    Parameters
    ----------
    whole : ndarray, shape (frames, samples)
        Codes or values.
    channel
        Their scale and offset.
    before
        Mean of the frame before the first.
    """
    kind, size = whole.dtype.kind, whole.shape[1]
    narrow = kind in "iu" and whole.itemsize <= 2 and size < 2**15
    sums = np.add.reduce(whole, axis=1, dtype=np.int32 if narrow else (np.int64 if kind in "iu" else np.float64))
    means: NDArray[np.float64] = sums * (channel.scale / size) + channel.offset
    if kind in "iu" or np.isfinite(means).all():
        return means
    for at in np.flatnonzero(~np.isfinite(means)).tolist():
        good = whole[at][np.isfinite(whole[at])]
        last = means[at - 1] if at else before
        means[at] = good.mean() * channel.scale + channel.offset if len(good) else last
    return means


def first_departure(departure: NDArray[np.float64], allowance: float) -> int:
    """Return the place where a run of samples leaves zero for good.

    The place where the cumulative sum of the departure, less an allowance for noise, is at its lowest.

    Parameters
    ----------
    departure : ndarray, shape (n,)
        Samples less the zero; the last ones have departed upwards.
    allowance
        Departure that is still noise.
    """
    return int(np.argmin(np.concatenate(([0.0], np.cumsum(departure - allowance)))))
