"""How well two ways of measuring one thing agree: bias, limits of agreement, and a line that lets both be in error.

Bland and Altman (1986; 1999 and 2007 for several values a subject): 95 % of differences lie within the bias and 1.96
standard deviations. The values of one subject, here the cylinders of an engine, share what went wrong with it: the
variance is put together from that between subjects and that within them. Deming's line (Cornbleet and Gochman, 1979)
with the ratio of the error variances given; its intervals by leaving out a subject at a time (Linnet, 1990).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.many.precision import Z_95, variances

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

Interval = tuple[float, float]
LEAST_SUBJECTS = 3  # for intervals: with two, one degree of freedom is left and they are a dozen times the deviation
TAIL = 0.025  # on either side of a 95 % interval


@dataclass(frozen=True)
class Agreement:
    """How two methods differ, in the unit of the differences.

    Parameters
    ----------
    count, subjects
        Differences, and subjects that they come from.
    bias, bias_interval
        Mean difference and its 95 % interval; None with fewer than three subjects.
    sd
        Standard deviation of a single difference.
    limits
        95 % limits of agreement.
    low_limit_interval, high_limit_interval
        How well the sample knows each of the limits, 95 %; None with fewer than three subjects.
    """

    count: int
    subjects: int
    bias: float
    bias_interval: Interval | None
    sd: float
    limits: Interval
    low_limit_interval: Interval | None
    high_limit_interval: Interval | None


@dataclass(frozen=True)
class Line:
    """``y = intercept + slope * x`` with errors in both; intervals are 95 %, None with fewer than three subjects."""

    slope: float
    intercept: float
    slope_interval: Interval | None
    intercept_interval: Interval | None


def agreement(differences: ArrayLike, subjects: Sequence[Hashable] | None = None) -> Agreement:
    """Return bias and limits of agreement of `differences`, shape (n,), where ``subjects[i]`` names that of value i.

    Raises
    ------
    InputError
        Fewer than two, not finite, or not as many subjects as differences.

    >>> found = agreement([-18, -35, -4, 6, -24, -43, 49, 62, -8, -12, -15, 30, 7, 1, -81, 73, -24])
    >>> round(found.bias, 1), round(found.sd, 1)
    (-2.1, 38.8)
    """
    d = _finite(differences)
    names = list(range(len(d))) if subjects is None else list(subjects)
    if len(d) < 2 or len(names) != len(d):
        raise InputError(f"{len(d)} differences of {len(names)} subjects: give two or more, and a subject for each")
    groups = list(dict.fromkeys(names))
    variance, degrees = _spread(d, names, groups)
    bias, sd = float(d.mean()), math.sqrt(variance)
    low, high = bias - Z_95 * sd, bias + Z_95 * sd
    if len(groups) < LEAST_SUBJECTS:
        return Agreement(len(d), len(groups), bias, None, sd, (low, high), None, None)
    error = _mean_error(d, names, groups)
    t = _student(len(groups) - 1)
    edge = t * math.hypot(error, Z_95 * sd / math.sqrt(2.0 * degrees))
    return Agreement(len(d), len(groups), bias, (bias - t * error, bias + t * error), sd, (low, high),
                     (low - edge, low + edge), (high - edge, high + edge))


def _finite(values: ArrayLike) -> NDArray[np.float64]:
    out = np.asarray(values, dtype=np.float64)
    if out.ndim != 1 or not np.isfinite(out).all():
        raise InputError("a value is missing or infinite, or there is more than one column; leave it out")
    return out


def _spread(d: NDArray[np.float64], names: Sequence[Hashable], groups: Sequence[Hashable]) -> tuple[float, float]:
    """Return the variance of one difference, and its degrees of freedom (Satterthwaite)."""
    if len(groups) in (1, len(d)):
        return float(d.var(ddof=1)), float(len(d) - 1)
    table = variances(d, names)
    within, between = table.within_ss / table.within_df, table.between_ss / table.between_df
    total = within + max(0.0, between - within) / table.typical_size
    if between <= within:
        return total, float(table.within_df)
    share = 1.0 / table.typical_size
    parts = ((share * between) ** 2 / table.between_df, ((1.0 - share) * within) ** 2 / table.within_df)
    return total, (total**2 / sum(parts) if sum(parts) > 0.0 else float(table.within_df))


def _mean_error(d: NDArray[np.float64], names: Sequence[Hashable], groups: Sequence[Hashable]) -> float:
    """Return the standard error of the mean, subjects being what is independent."""
    member = np.array([groups.index(name) for name in names])
    off = np.bincount(member, d - d.mean())
    return math.sqrt(len(groups) / (len(groups) - 1.0) * float(np.sum(off**2))) / len(d)


def _student(degrees: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(degrees, 1.0 - TAIL))


def deming(x: ArrayLike, y: ArrayLike, *, ratio: float = 1.0, subjects: Sequence[Hashable] | None = None) -> Line:
    """Return the line through (`x`, `y`), each shape (n,), with errors in both.

    Parameters
    ----------
    ratio
        Variance of the errors of y over that of x.
    subjects
        Which subject each pair comes from; None: each its own.

    Raises
    ------
    InputError
        Fewer than three pairs, not finite, not alike in length, a ratio that is not positive, or no line goes
        through them because one does not rise or fall with the other.
    """
    a, b = _finite(x), _finite(y)
    if len(a) != len(b) or len(a) < 3 or not (math.isfinite(ratio) and ratio > 0.0):
        raise InputError(f"a line needs three or more pairs and a ratio above 0, not {len(a)}, {len(b)} and {ratio:g}")
    names = list(range(len(a))) if subjects is None else list(subjects)
    line = _line(a, b, ratio)
    if line is None:
        raise InputError("no line goes through these pairs: the one does not rise or fall with the other")
    groups = list(dict.fromkeys(names))
    member = np.array([groups.index(name) for name in names])
    kept = [member != k for k in range(len(groups))]
    without = [_line(a[k], b[k], ratio) for k in kept if k.sum() >= 2]
    if len(groups) < LEAST_SUBJECTS or len(without) < len(groups) or None in without:
        return Line(line[0], line[1], None, None)
    values = np.array([w for w in without if w is not None])
    count = len(groups)
    pseudo = count * np.array(line) - (count - 1) * values
    error = pseudo.std(axis=0, ddof=1) / math.sqrt(count)
    t = _student(count - 1)
    slope, intercept = (((v - t * e), (v + t * e)) for v, e in zip(line, error.tolist(), strict=True))
    return Line(line[0], line[1], slope, intercept)


def _line(x: NDArray[np.float64], y: NDArray[np.float64], ratio: float) -> tuple[float, float] | None:
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxy == 0.0:
        return None
    lead = syy - ratio * sxx
    slope = (lead + math.sqrt(lead**2 + 4.0 * ratio * sxy**2)) / (2.0 * sxy)
    return slope, float(y.mean()) - slope * float(x.mean())
