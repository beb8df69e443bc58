"""Results against gauge readings: how far off, how often the ranges hold, and how often the verdict is right.

What is counted is chosen so that it flatters as little as can be: a cylinder at the limit is not found and not cleared;
the cylinders of an engine are not independent; no verdict is counted, not left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.many.agreement import Agreement, Line, agreement, deming
from crankfold.analysis.many.proportion import Proportion, fewer_than, grouped_proportion, proportion

if TYPE_CHECKING:
    from crankfold.analysis.many.reference import Reference

LIMIT_PERCENT = 75.0  # below it a cylinder is low, as for a result
CLEAR_POINTS = 5.0  # a gauge's percent this far from the limit is surely on its side: its own 95 % error is 4 to 6
LEAST_SPREAD_POINTS = 5.0  # standard deviation of the gauge's percents below which no slope is drawn: all are alike
DOWN = ("low", "dead")


@dataclass(frozen=True)
class CylinderSaid:
    """What a result says of one cylinder.

    Parameters
    ----------
    cylinder
        Its number, None where it was not named.
    percent, interval
        Of the strongest, and the 95 % range.
    state
        As in the result.
    """

    cylinder: int | None
    percent: float
    interval: tuple[float, float]
    state: str


@dataclass(frozen=True, eq=False)
class Case:
    """One engine: a result, and what the gauge said.

    Parameters
    ----------
    name
        For people.
    verdict
        ``even``, ``uneven``, ``limit`` or ``none``.
    cylinders
        What the result says, in firing order; empty without a verdict.
    order
        Cylinder numbers in firing order: those of the reference.
    reference
        The gauge's percents in that order.
    blind, sealed
        Whether the gauge was read without knowing the result, and whether the result was sealed before.
    """

    name: str
    verdict: str
    cylinders: tuple[CylinderSaid, ...]
    order: tuple[int, ...]
    reference: Reference
    blind: bool = False
    sealed: bool = False

    @property
    def named(self) -> bool:
        """Whether each cylinder of the result has its number."""
        return bool(self.cylinders) and all(c.cylinder is not None for c in self.cylinders)


@dataclass(frozen=True)
class Pair:
    """One cylinder of one engine: the gauge, the result, and what became of it."""

    case: str
    cylinder: int
    gauge_percent: float
    gauge_half: float
    percent: float
    interval: tuple[float, float]
    state: str

    @property
    def difference(self) -> float:
        """Result less gauge, points."""
        return self.percent - self.gauge_percent

    @property
    def inside(self) -> bool:
        """Whether the gauge's percent lies in the range as it is."""
        return self.interval[0] <= self.gauge_percent <= self.interval[1]

    @property
    def normalised_error(self) -> float:
        """Return the difference over both 95 % uncertainties together (E_n of ISO 13528); at most 1 if they agree."""
        low, high = self.interval
        reach = high - self.percent if self.gauge_percent > self.percent else self.percent - low
        return abs(self.difference) / float(np.hypot(max(reach, 1e-9), max(self.gauge_half, 1e-9)))


@dataclass(frozen=True)
class Verdicts:
    """Engines, by whether the gauge is clear about them and what the verdict was.

    Parameters
    ----------
    engines, clear
        All, and those where no cylinder's gauge percent is within `CLEAR_POINTS` of the limit.
    right, wrong, undecided, unanswered
        Of the clear ones; undecided: the verdict is ``limit``.
    fewer_than
        With 95 % confidence fewer than this share of clear, decided engines get a wrong verdict; 1 if there are none.
    """

    engines: int
    clear: int
    right: int
    wrong: int
    undecided: int
    unanswered: int
    fewer_than: float


@dataclass(frozen=True)
class Validation:
    """Everything that the comparison found.

    Parameters
    ----------
    pairs
        Named cylinders of results with a verdict.
    agreement
        Of result less gauge, points; None with fewer than two pairs.
    line
        Deming's line of result on gauge; None where the gauge's percents are all alike.
    inside, compatible
        Share of ranges that hold the gauge's percent as it is, and of pairs with a normalised error up to 1.
    sensitivity, specificity
        Cylinders below the limit by the gauge that are called low, and the others that are called good or watch. A
        cylinder ``limit`` counts as neither found nor cleared.
    verdicts
        By engine.
    wrong
        Names of clear engines with the wrong verdict, and of those where a clear cylinder was misjudged.
    blind, sealed, unnamed
        Engines read blind, with a sealed result, and those with a verdict whose cylinders have no numbers.
    """

    pairs: tuple[Pair, ...]
    agreement: Agreement | None
    line: Line | None
    inside: Proportion
    compatible: Proportion
    sensitivity: Proportion
    specificity: Proportion
    verdicts: Verdicts
    wrong: tuple[str, ...]
    blind: int
    sealed: int
    unnamed: int


def validate(cases: Sequence[Case], *, limit_percent: float = LIMIT_PERCENT) -> Validation:
    """Return how the results of engines compare with their gauge readings.

    Raises
    ------
    InputError
        There is no engine, or a name comes twice.
    """
    names = [case.name for case in cases]
    if not names or len(set(names)) != len(names):
        raise InputError("no engine to compare, or one of them twice; give each engine once")
    pairs = tuple(pair for case in cases if case.named for pair in _pairs(case))
    of = [pair.case for pair in pairs]
    gauge = np.array([p.gauge_percent for p in pairs])
    percent = np.array([p.percent for p in pairs])
    low = [p for p in pairs if p.gauge_percent < limit_percent]
    rest = [p for p in pairs if p.gauge_percent >= limit_percent]
    sloped = len(set(of)) >= 3 and float(gauge.std()) >= LEAST_SPREAD_POINTS
    misjudged = {p.case for p in pairs if _misjudged(p, limit_percent)}
    wrong = {case.name for case in cases if _outcome(case, limit_percent) == "wrong"}
    return Validation(
        pairs, agreement(percent - gauge, of) if len(pairs) > 1 else None,
        deming(gauge, percent, ratio=_ratio(pairs), subjects=of) if sloped else None,
        grouped_proportion([p.inside for p in pairs], of),
        grouped_proportion([p.normalised_error <= 1.0 for p in pairs], of),
        _share(low, lambda p: p.state in DOWN), _share(rest, lambda p: p.state in ("good", "watch")),
        _verdicts(cases, limit_percent), tuple(name for name in names if name in wrong | misjudged),
        sum(case.blind for case in cases), sum(case.sealed for case in cases),
        sum(bool(case.cylinders) and not case.named for case in cases))


def _pairs(case: Case) -> list[Pair]:
    at = {number: k for k, number in enumerate(case.order)}
    out = []
    for c in case.cylinders:
        assert c.cylinder is not None
        if c.cylinder not in at:
            raise InputError(f"{case.name}: the result names cylinder {c.cylinder}, of which the gauge has no reading")
        k = at[c.cylinder]
        out.append(Pair(case.name, c.cylinder, float(case.reference.percent[k]), float(case.reference.half_percent[k]),
                        c.percent, c.interval, c.state))
    return out


def _share(pairs: Sequence[Pair], holds: Callable[[Pair], bool]) -> Proportion:
    return grouped_proportion([holds(p) for p in pairs], [p.case for p in pairs])


def _ratio(pairs: Sequence[Pair]) -> float:
    """Return the variance of the result's errors over the gauge's, as both claim them."""
    own = float(np.mean([((p.interval[1] - p.interval[0]) / 2.0) ** 2 for p in pairs]))
    return max(own, 1e-6) / max(float(np.mean([p.gauge_half**2 for p in pairs])), 1e-6)


def _misjudged(pair: Pair, limit: float) -> bool:
    if pair.gauge_percent < limit - CLEAR_POINTS:
        return pair.state in ("good", "watch")
    return pair.gauge_percent > limit + CLEAR_POINTS and pair.state in DOWN


def _outcome(case: Case, limit: float) -> str:
    """Return ``unclear``, ``right``, ``wrong``, ``undecided`` or ``unanswered``."""
    percent = case.reference.percent
    if np.any(np.abs(percent - limit) <= CLEAR_POINTS):
        return "unclear"
    if case.verdict == "none":
        return "unanswered"
    if case.verdict not in ("even", "uneven"):
        return "undecided"
    return "right" if (case.verdict == "uneven") == bool(np.any(percent < limit)) else "wrong"


def _verdicts(cases: Sequence[Case], limit: float) -> Verdicts:
    found = [_outcome(case, limit) for case in cases]
    right, wrong = found.count("right"), found.count("wrong")
    return Verdicts(len(cases), len(cases) - found.count("unclear"), right, wrong, found.count("undecided"),
                    found.count("unanswered"), fewer_than(wrong, right + wrong) if right + wrong else 1.0)


def right_share(verdicts: Verdicts) -> Proportion:
    """Return the share of right verdicts among clear engines with one."""
    return proportion(verdicts.right, verdicts.right + verdicts.wrong)
