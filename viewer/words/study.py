"""How well repeated recordings agree, in words and as plain data; and which recording belongs to which group."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.analysis import InputError, percent_budget
from crankfold.viewer.words.catalogue import say

if TYPE_CHECKING:
    from crankfold.analysis import Budget, Components, CylinderPrecision

FORMAT = "crankfold.study/1"
TRULY_DIFFERENT = 0.05  # groups as far apart come about by chance less often than this: the usual level
ROUGH_BELOW = 10  # recordings: with 9 degrees of freedom a standard deviation is known to within about a quarter
DIGITS = 6
SOURCES = {"crank": "crank", "group": "group", "group x cylinder": "both", "rest": "rest"}


def groups_of(paths: Sequence[Path], patterns: Sequence[str]) -> list[str]:
    """Return the name of each path's group: that of the first pattern it fits; all the same without patterns.

    Raises
    ------
    InputError
        A pattern is not written ``NAME=PATTERN``, or a path fits none.
    """
    if not patterns:
        return [""] * len(paths)
    pairs = [text.partition("=") for text in patterns]
    for name, equals, pattern in pairs:
        if not (name.strip() and equals and pattern.strip()):
            raise InputError(say("study.bad_group", text=f"{name}{equals}{pattern}"))
    found = []
    for path in paths:
        fitting = next((n.strip() for n, _, pattern in pairs if fnmatch(path.as_posix(), pattern.strip())), None)
        if fitting is None:
            raise InputError(say("study.no_group", path=str(path)))
        found.append(fitting)
    return found


def study_lines(figures: Sequence[CylinderPrecision]) -> tuple[str, list[str]]:
    """Return the headline, and what else is said: a line a cylinder, whether groups differ, how rough it is."""
    one = figures[0].precision
    worst = max(f.precision.repeatability_limit for f in figures)
    far = [f.precision.reproducibility_limit for f in figures if f.precision.reproducibility_limit is not None]
    if far:
        headline = say("study.headline_groups", count=one.count, groups=one.groups, far_points=max(far))
    else:
        headline = say("study.headline", count=one.count, near_points=worst)
    lines = [_line(figure) for figure in figures]
    if far:
        apart = tuple(f.cylinder for f in figures if f.precision.p is not None and f.precision.p < TRULY_DIFFERENT)
        lines.append(say("study.differ", cylinders=apart) if apart else say("study.alike"))
    if one.count < ROUGH_BELOW:
        lines.append(say("study.few"))
    return headline, lines


def scatter_line(found: Components) -> str:
    """Return where all cylinders together scatter from, largest first."""
    parts = sorted(found.sd.items(), key=lambda pair: -pair[1])
    said = tuple(say("study.part", name=say(f"study.source.{SOURCES[name]}"), sd_points=sd) for name, sd in parts)
    return say("study.scatter", parts=said)


def budget_lines(figures: Sequence[CylinderPrecision]) -> list[str]:
    """Return a cylinder's uncertainty budget a line: contributions, largest first, and what they combine to."""
    return [_budget_line(figure.cylinder, percent_budget(figure)) for figure in figures]


def _budget_line(cylinder: int, found: Budget) -> str:
    parts = tuple(say("study.contribution", name=say(f"study.budget.{part.code}"), sd_points=part.contribution,
                      kind=part.kind) for part in found.components)
    return say("study.budget_line", cylinder=cylinder, mean_percent=found.value, parts=parts,
               combined_points=found.combined, factor_share=found.factor, expanded_points=found.expanded)


def _line(figure: CylinderPrecision) -> str:
    found = figure.precision
    line = say("study.row", cylinder=figure.cylinder, mean_percent=found.mean, sd_points=found.repeatability_sd,
               limit_points=found.repeatability_limit, claimed_points=figure.claimed_sd)
    if found.reproducibility_sd is None:
        return line
    p = say("study.p_unknown") if found.p is None else say("study.p", p_share=found.p)
    return " ".join([line, say("study.row_groups", sd_points=found.reproducibility_sd,
                               limit_points=found.reproducibility_limit, p=p)])


def study_data(figures: Sequence[CylinderPrecision], used: Sequence[tuple[str, str]],
               left_out: Sequence[tuple[str, str]], scatter: Components) -> dict[str, Any]:
    """Return a study as plain data; `used` are files with their groups, `left_out` files with the reason."""
    budgets = [percent_budget(f) for f in figures]
    return {
        "format": FORMAT,
        "files": [{"file": file, "group": group} for file, group in used],
        "left_out": [{"file": file, "why": why} for file, why in left_out],
        "cylinders": [{"cylinder": f.cylinder, "position": f.position, "claimed_sd": round(f.claimed_sd, DIGITS),
                       **{name: round(value, DIGITS) if isinstance(value, float) else value
                          for name, value in asdict(f.precision).items()},
                       "budget": _budget_data(b)} for f, b in zip(figures, budgets, strict=True)],
        "scatter_sd": {name: round(sd, DIGITS) for name, sd in scatter.sd.items()},
    }


def _budget_data(found: Budget) -> dict[str, Any]:
    """Return a budget as plain data; degrees of freedom that are infinite are None."""
    def degrees(value: float) -> float | None:
        return round(value, DIGITS) if math.isfinite(value) else None

    return {"combined": round(found.combined, DIGITS), "degrees": degrees(found.degrees),
            "factor": round(found.factor, DIGITS), "expanded": round(found.expanded, DIGITS),
            "components": [{"code": p.code, "standard": round(p.standard, DIGITS), "degrees": degrees(p.degrees),
                            "kind": p.kind} for p in found.components]}
