"""What the detector says: where cranking begins, and which loads were none."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Onset:
    """Cranking has begun.

    Parameters
    ----------
    index
        Absolute index of the first sample that departed from quiet.
    zero, noise
        Of the quiet before, in the samples' unit.
    polarity
        1, or -1 when cranking current reads negative.
    """

    index: int
    zero: float
    noise: float
    polarity: int


@dataclass(frozen=True)
class Passed:
    """A load has come and gone, or stays, that is no cranking.

    Parameters
    ----------
    index
        Absolute index of its first sample.
    end
        Absolute index where it was given up.
    mean, peak
        Of its departure from zero, in the samples' unit.
    """

    index: int
    end: int
    mean: float
    peak: float
