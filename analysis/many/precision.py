"""How well repeated measurements agree: repeatability and reproducibility, one-way analysis of variance.

Terms and formulas of ISO 5725-2 (basic method, one level): repeatability standard deviation ``s_r`` within groups,
between-group ``s_L``, reproducibility ``s_R = sqrt(s_L^2 + s_r^2)``. Limits ``r = 2.8 s_r`` and ``R = 2.8 s_R``
(ISO 5725-6): two single results differ by more only once in twenty times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.result import Result

LIMIT_FACTOR = 2.8
"""Of a standard deviation: 1.96 times the square root of 2, rounded as the standard does."""
Z_95 = 1.959964  # half a 95 % interval in standard deviations
LEAST_RESULTS = 2


@dataclass(frozen=True)
class Variances:
    """One-way analysis of variance.

    Parameters
    ----------
    groups, count
        How many groups, and results in all.
    mean
        Of all results.
    between_ss, within_ss
        Sums of squares.
    between_df, within_df
        Their degrees of freedom.
    f
        Ratio of the mean squares; None with one group, or when the results within groups are all alike.
    p
        How often a ratio so large comes about when the groups are alike; None without `f`.
    typical_size
        The number of results in a group as it enters ``s_L``: the plain number when all groups have the same.
    """

    groups: int
    count: int
    mean: float
    between_ss: float
    within_ss: float
    between_df: int
    within_df: int
    f: float | None
    p: float | None
    typical_size: float


@dataclass(frozen=True)
class Precision:
    """Repeatability and reproducibility of one quantity, in its own unit.

    Parameters
    ----------
    mean, count, groups
        Of the results.
    repeatability_sd, repeatability_limit
        ``s_r`` and ``r``.
    between_sd, reproducibility_sd, reproducibility_limit
        ``s_L``, ``s_R`` and ``R``; None with one group.
    p
        See `Variances`: small when the groups truly differ.
    """

    mean: float
    count: int
    groups: int
    repeatability_sd: float
    repeatability_limit: float
    between_sd: float | None
    reproducibility_sd: float | None
    reproducibility_limit: float | None
    p: float | None


@dataclass(frozen=True)
class CylinderPrecision:
    """How well repeated captures agree on one cylinder's relative compression, in points of the strongest's percent.

    Parameters
    ----------
    cylinder, position
        Its number, and its 1-based place in the firing order.
    precision
        Of its relative compression.
    claimed_sd
        The standard deviation that the captures' own 95 % intervals claim, root mean square.
    """

    cylinder: int
    position: int
    precision: Precision
    claimed_sd: float


def variances(values: ArrayLike, groups: Sequence[Hashable]) -> Variances:
    """Return the one-way analysis of variance of `values`, shape (n,), where ``groups[i]`` names the group of value i.

    Raises
    ------
    InputError
        The lengths differ, a value is not finite, or no group holds two results.
    """
    y = np.asarray(values, dtype=np.float64)
    names = list(dict.fromkeys(groups))
    if y.ndim != 1 or len(y) != len(groups):
        raise InputError(f"values of shape {y.shape} and {len(groups)} groups do not go together; "
                         "name a group for each value")
    if not np.isfinite(y).all():
        raise InputError("a value is missing or infinite; leave that result out of the study")
    member = np.array([names.index(group) for group in groups], dtype=np.intp)
    sizes = np.bincount(member, minlength=len(names)).astype(np.float64)
    within_df = len(y) - len(names)
    if within_df < 1:
        raise InputError("no group holds two results; repeat the measurement at least once within a group")
    centred = y - y.mean()  # sums of squares of small differences between large numbers keep their digits this way
    means = np.bincount(member, centred) / sizes
    within = float(np.sum((centred - means[member]) ** 2))
    between = float(np.sum(sizes * (means - centred.mean()) ** 2))
    between_df = len(names) - 1
    f, p = _ratio(between, between_df, within, within_df)
    typical = (len(y) - float(np.sum(sizes**2)) / len(y)) / between_df if between_df else float(len(y))
    return Variances(len(names), len(y), float(y.mean()), between, within, between_df, within_df, f, p, typical)


def _ratio(between: float, between_df: int, within: float, within_df: int) -> tuple[float | None, float | None]:
    from scipy.special import fdtrc

    if not between_df or within <= 0.0:
        return None, None
    f = (between / between_df) / (within / within_df)
    return f, float(fdtrc(between_df, within_df, f))


def precision(values: ArrayLike, groups: Sequence[Hashable] | None = None) -> Precision:
    """Return repeatability, and with several groups reproducibility, of `values`, shape (n,).

    Raises
    ------
    InputError
        See `variances`.

    >>> found = precision([10.0, 12.0, 11.0, 13.0], ["a", "a", "b", "b"])
    >>> round(found.repeatability_sd, 4), found.reproducibility_sd == found.repeatability_sd
    (1.4142, True)
    """
    y = np.asarray(values, dtype=np.float64)
    table = variances(y, [0] * len(y) if groups is None else groups)
    within = table.within_ss / table.within_df
    s_r = math.sqrt(within)
    between_sd = total_sd = None
    if table.between_df:
        extra = max(0.0, (table.between_ss / table.between_df - within) / table.typical_size)
        between_sd, total_sd = math.sqrt(extra), math.sqrt(extra + within)
    return Precision(table.mean, table.count, table.groups, s_r, LIMIT_FACTOR * s_r, between_sd, total_sd,
                     None if total_sd is None else LIMIT_FACTOR * total_sd, table.p)


def study(results: Sequence[Result], groups: Sequence[Hashable] | None = None) -> tuple[CylinderPrecision, ...]:
    """Return how well captures of one engine agree, for each cylinder in firing order.

    Parameters
    ----------
    results
        At least two of them in one group, each with a verdict and with cylinders that are named.
    groups
        Of each result: the rig, the operator, the day; None: all in one.

    Raises
    ------
    InputError
        A result has no verdict or no cylinder numbers, two are of the same recording, the engines differ, or no
        group holds two results.
    """
    _check_alike(results)
    found = []
    for at, cylinder in enumerate(results[0].cylinders):
        same = [result.cylinders[at] for result in results]
        halves = [(c.interval_percent[1] - c.interval_percent[0]) / 2.0 for c in same]
        claimed = float(np.sqrt(np.mean(np.square(halves)))) / Z_95
        assert cylinder.cylinder is not None
        found.append(CylinderPrecision(cylinder.cylinder, cylinder.position,
                                       precision([c.relative_percent for c in same], groups), claimed))
    return tuple(found)


def same_recordings(results: Sequence[Result]) -> tuple[int | None, ...]:
    """Return for each result the index of an earlier one that comes from the very same samples, None if there is none.

    A file given twice, or copied under another name, repeats nothing: its results agree perfectly and say nothing of
    how well a measurement repeats.
    """
    first: dict[bytes, int] = {}
    found: list[int | None] = []
    for at, result in enumerate(results):
        digest = None if result.trace is None else sha256(result.trace.current.tobytes()).digest()
        before = at if digest is None else first.setdefault(digest, at)
        found.append(None if before == at else before)
    return tuple(found)


def _check_alike(results: Sequence[Result]) -> None:
    if len(results) < LEAST_RESULTS:
        raise InputError("one capture repeats nothing; give at least two of the same engine")
    for number, result in enumerate(results, 1):
        if result.verdict == "none":
            raise InputError(f"capture {number} has no verdict, so it repeats nothing; leave it out, or make it again")
        if any(c.cylinder is None for c in result.cylinders):
            raise InputError(f"the cylinders of capture {number} have no numbers, so they cannot be matched with "
                             "those of the others; capture with a sync signal")
        if _card(result.engine) != _card(results[0].engine):
            raise InputError(f"capture {number} is of another engine than the first; give captures of one engine")
    for number, before in enumerate(same_recordings(results), 1):
        if before is not None:
            raise InputError(f"capture {number} is the same recording as capture {before + 1}, so it repeats nothing; "
                             "leave it out, and crank again for each capture")


def _card(engine: Engine) -> tuple[object, ...]:
    return engine.firing_order, engine.intervals_deg, engine.strokes
