"""The uncertainty budget of one figure: what contributes how much, combined as the GUM does.

JCGM 100:2008, Guide to the expression of uncertainty in measurement: combined standard uncertainty, effective degrees
of freedom after Welch and Satterthwaite (G.4), expanded uncertainty for 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.analysis.errors import InputError
from crankfold.analysis.many.precision import Z_95

if TYPE_CHECKING:
    from crankfold.analysis.many.agreement import Agreement
    from crankfold.analysis.many.precision import CylinderPrecision

RANGE, REPEAT, GROUPS, GAUGE = "range", "repeatability", "groups", "gauge"
LEVEL = 0.95


@dataclass(frozen=True)
class Component:
    """One line of a budget.

    Parameters
    ----------
    code
        What it is.
    standard
        Standard uncertainty, in the figure's unit.
    degrees
        Of freedom; infinite where it is taken for known.
    sensitivity
        Change of the figure for a unit of it.
    kind
        ``A`` from repeated readings, ``B`` from anything else.
    """

    code: str
    standard: float
    degrees: float = math.inf
    sensitivity: float = 1.0
    kind: str = "B"

    @property
    def contribution(self) -> float:
        """Standard uncertainty of the figure from this alone."""
        return abs(self.sensitivity) * self.standard


@dataclass(frozen=True)
class Budget:
    """A figure with its budget.

    Parameters
    ----------
    value
        The figure.
    components
        Largest contribution first.
    combined, degrees
        Standard uncertainty, and its effective degrees of freedom.
    factor, expanded
        Coverage factor for 95 %, and the expanded uncertainty.
    """

    value: float
    components: tuple[Component, ...]
    combined: float
    degrees: float
    factor: float
    expanded: float


def budget(value: float, parts: Sequence[Component], *, level: float = LEVEL) -> Budget:
    """Return the budget of a figure whose contributions are independent.

    Raises
    ------
    InputError
        There is none, or one is negative, not finite or without degrees of freedom.

    >>> found = budget(57.0, [Component("range", 2.0), Component("repeatability", 1.0, degrees=4.0, kind="A")])
    >>> round(found.combined, 3), round(found.degrees), round(found.expanded, 2)
    (2.236, 100, 4.44)
    """
    from scipy.special import ndtri, stdtrit

    if not parts or any(not math.isfinite(p.contribution) or p.standard < 0.0 or not p.degrees > 0.0 for p in parts):
        raise InputError("a budget needs contributions of zero or more, each with degrees of freedom")
    combined = math.sqrt(sum(p.contribution**2 for p in parts))
    weight = sum(p.contribution**4 / p.degrees for p in parts)
    degrees = combined**4 / weight if weight > 0.0 else math.inf
    tail = 0.5 + level / 2.0
    factor = float(ndtri(tail)) if math.isinf(degrees) else float(stdtrit(math.floor(max(degrees, 1.0)), tail))
    ordered = tuple(sorted(parts, key=lambda p: -p.contribution))
    return Budget(value, ordered, combined, degrees, factor, factor * combined)


def percent_budget(figure: CylinderPrecision, validated: Agreement | None = None) -> Budget:
    """Return the budget of a cylinder's mean relative compression over the captures of a study, points.

    Parameters
    ----------
    figure
        Of a `study`: what the captures' own ranges claim, their repeatability, and with several groups how far those
        are apart.
    validated
        Of a validation against gauges: how well the bias is known.

    The ranges are mostly the model's error, which is alike in each capture; what of them repeats is counted twice, on
    the safe side.
    """
    found = figure.precision
    parts = [Component(RANGE, figure.claimed_sd),
             Component(REPEAT, found.repeatability_sd / math.sqrt(found.count), float(found.count - found.groups),
                       kind="A")]
    if found.between_sd is not None:
        parts.append(Component(GROUPS, found.between_sd / math.sqrt(found.groups), float(found.groups - 1), kind="A"))
    if validated is not None and validated.bias_interval is not None:
        low, high = validated.bias_interval
        known = (high - low) / 2.0 / Z_95
        parts.append(Component(GAUGE, math.hypot(known, validated.bias), float(validated.subjects - 1), kind="A"))
    return budget(found.mean, parts)
