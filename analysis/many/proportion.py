"""How often something held, and between which limits the true share lies: exact binomial limits.

Clopper and Pearson (1934). Where trials come in groups that go right and wrong together, as the cylinders of one
engine do, they count for fewer: Korn and Graubard (1998) put the effective number in place of the number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike, NDArray

LEVEL = 0.95  # of every interval, as for the ranges of a result


@dataclass(frozen=True)
class Proportion:
    """A share of trials.

    Parameters
    ----------
    found, of
        How many, of how many.
    share
        0 to 1; None without trials.
    low, high
        Its 95 % limits; 0 and 1 without trials.
    effective
        Independent trials that would tell as much: `of`, or fewer.
    """

    found: int
    of: int
    share: float | None
    low: float
    high: float
    effective: float


def proportion(found: int, of: int, *, effective: float | None = None, level: float = LEVEL) -> Proportion:
    """Return a share with its Clopper-Pearson limits.

    Parameters
    ----------
    effective
        Independent trials that would tell as much; None: all of them.

    Raises
    ------
    InputError
        More were found than tried, or a number is negative.

    >>> p = proportion(0, 59)
    >>> p.share, round(p.high, 4)
    (0.0, 0.0606)
    """
    from scipy.special import betaincinv

    if not 0 <= found <= of:
        raise InputError(f"{found} of {of} cannot be a share; count again")
    n = float(of) if effective is None else min(float(of), effective)
    if not of or n <= 0.0:
        return Proportion(found, of, None, 0.0, 1.0, n)
    share, tail = found / of, (1.0 - level) / 2.0
    hits, misses = share * n, (1.0 - share) * n
    low = float(betaincinv(hits, misses + 1.0, tail)) if found else 0.0
    high = float(betaincinv(hits + 1.0, misses, 1.0 - tail)) if found < of else 1.0
    return Proportion(found, of, share, low, high, n)


def grouped_proportion(hits: ArrayLike, groups: Sequence[Hashable], *, level: float = LEVEL) -> Proportion:
    """Return the share of true values among `hits`, shape (n,), whose trials come in groups.

    The effective number is the number over the design effect: the variance of the share between groups as it is, over
    what independent trials would show (linearised, as for a ratio). It never counts for more than the trials.

    Raises
    ------
    InputError
        The lengths differ.
    """
    hit = np.asarray(hits, dtype=np.bool_)
    if hit.ndim != 1 or len(hit) != len(groups):
        raise InputError(f"{len(groups)} groups do not go with outcomes of shape {hit.shape}; name one for each")
    found, of = int(hit.sum()), len(hit)
    return proportion(found, of, effective=_effective(hit, groups), level=level)


def _effective(hit: NDArray[np.bool_], groups: Sequence[Hashable]) -> float:
    names = {name: k for k, name in enumerate(dict.fromkeys(groups))}
    if len(names) < 2 or hit.all() or not hit.any():
        return float(len(names)) if names else 0.0  # nothing tells how alike a group's trials are: a group is one
    member = np.array([names[g] for g in groups])
    n, k, share = len(hit), len(names), float(hit.mean())
    off = np.bincount(member, hit - share)
    variance = k / (k - 1.0) * float(np.sum(off**2)) / n**2
    simple = share * (1.0 - share) / n
    return float(np.clip(n * simple / variance, 1.0, n)) if variance > 0.0 else float(n)


def fewer_than(wrong: int, of: int, *, level: float = LEVEL) -> float:
    """Return the share below which the true one lies, with that confidence, after `wrong` of `of` went wrong.

    One-sided: of 59 none wrong shows fewer than 5 %, of 299 fewer than 1 %.

    >>> round(fewer_than(0, 59), 4), round(fewer_than(0, 299), 5)
    (0.0495, 0.00997)
    """
    return proportion(wrong, of, level=2.0 * level - 1.0).high


def needed(share: float, *, level: float = LEVEL) -> int:
    """Return how many trials without one going wrong show that fewer than `share` go wrong.

    >>> needed(0.05), needed(0.01)
    (59, 299)
    """
    if not 0.0 < share < 1.0:
        raise InputError(f"a share of {share:g} cannot be shown; give one between 0 and 1")
    return math.ceil(math.log(1.0 - level) / math.log1p(-share) - 1e-9)
