"""One analysis against the truth of its capture: answered, wrong, blamed, missed; and the tables that count them.

A verdict is `due` where "none" is not acceptable. `answered` is a verdict; ``limit`` is one only where the truth lies
near the limit. `wrong` is a verdict that may not be drawn. `blamed` is a sound cylinder called low, `missed` a low one
called sound.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

UNCLEAR = (70.0, 80.0)  # percent: so near to the limit of 75 either verdict may be drawn
SOUND, LOW = 82.0, 68.0  # percent: from here up a cylinder is blamed if called low, below it missed if not
AT_LIMIT = (66.0, 84.0)  # percent: where "at the limit" is an answer


@dataclass
class Row:
    """What came out for one capture; `group` is what is counted together, `engine` what it was cranked on."""

    name: str
    group: str
    engine: str
    acceptable: tuple[str, ...]
    codes: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    verdict: str = "none"
    reasons: tuple[str, ...] = ()
    seconds: float = 0.0
    near: bool = False
    misnamed: bool = False
    blamed: bool = False
    missed: bool = False
    errors: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    told: str = ""

    @property
    def due(self) -> bool:
        return "none" not in self.acceptable

    @property
    def answered(self) -> bool:
        return self.verdict in ("even", "uneven") or (self.verdict == "limit" and self.near)

    @property
    def wrong(self) -> bool:
        if self.verdict == "limit":
            return not {"even", "uneven"} & set(self.acceptable)
        return self.verdict != "none" and self.verdict not in self.acceptable

    @property
    def refused(self) -> bool:
        return self.due and self.verdict == "none"

    @property
    def right_reason(self) -> bool:
        return self.verdict == "none" and bool(self.reasons) and self.reasons[0] in self.codes

    def line(self) -> str:
        flaws = [word for word, holds in (("WRONG", self.wrong), ("BLAMED", self.blamed), ("MISSED", self.missed),
                                          ("MISNAMED", self.misnamed), ("REFUSED", self.refused)) if holds]
        return " ".join((self.name, "+".join(flaws) or "ok", self.verdict, "may be", "/".join(self.acceptable),
                         ",".join(self.why), ",".join(self.reasons), self.told))


def judge(row: Row, work: Callable[[], Any], order: list[int], relative: list[float] | None) -> Row:
    """Fill the row with what `work`, an analysis, answers; `relative` is the truth by position, None where unknown."""
    from crankfold.analysis import InputError

    began = time.process_time()
    try:
        result = work()
    except InputError as error:
        row.reasons = (f"input: {error}",)
        return row
    finally:
        row.seconds = time.process_time() - began
    row.verdict, row.reasons = result.verdict, tuple(reason.code for reason in result.reasons)
    if result.verdict == "none" or relative is None or len(result.cylinders) != len(relative):
        return row
    estimates = [c.relative_percent for c in result.cylinders]
    named = all(c.cylinder is not None for c in result.cylinders)
    n = len(relative)
    turn = 0 if named else min(range(n), key=lambda k: sum(abs(estimates[(j + k) % n] - relative[j]) for j in range(n)))
    placed = [result.cylinders[(j + turn) % n] for j in range(n)]
    low = sorted(c for c, true in zip(order, relative, strict=True) if true < 0.5 * sum(UNCLEAR))
    pairs = list(zip(placed, relative, strict=True))
    row.near = any(AT_LIMIT[0] < true < AT_LIMIT[1] for true in relative)
    row.errors = [abs(c.relative_percent - true) for c, true in pairs]
    row.inside = [c.interval_percent[0] <= true <= c.interval_percent[1] for c, true in pairs]
    row.widths = [c.interval_percent[1] - c.interval_percent[0] for c in placed]
    row.blamed = any(c.state in ("low", "dead") and true >= SOUND for c, true in pairs)
    row.missed = any(c.state not in ("low", "dead") and true < LOW for c, true in pairs)
    clear = not any(UNCLEAR[0] < true < UNCLEAR[1] for true in relative)
    row.misnamed = clear and named and result.verdict == "uneven" and sorted(result.low) != low
    row.told = f"{[round(c.relative_percent) for c in placed]} for {[round(true) for true in relative]}"
    return row


HEAD = ("set", "captures", "engines", "due", "answered of due", "answered of those that need not be", "wrong", "blamed",
        "missed", "right reason first", "error mean, p95", "in range, width")


def table(rows: Iterable[Row]) -> str:
    """Return a table with a line a group: counts of captures, and 95 % limits that count engines.

    Limits are Clopper and Pearson's with the effective number of Korn and Graubard: captures of one engine go right and
    wrong together and count for fewer.
    """
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(row.group, []).append(row)
    lines = ["| " + " | ".join(HEAD) + " |", "|" + "---|" * len(HEAD)]
    return "\n".join([*lines, *(_line(name, found) for name, found in groups.items())])


def _line(name: str, rows: list[Row]) -> str:
    due, verdicts = [r for r in rows if r.due], [r for r in rows if r.verdict != "none"]
    may = [r for r in rows if not r.due and r.acceptable != ("none",)]
    told = [r for r in verdicts if r.errors]
    none_due = [r for r in rows if r.acceptable == ("none",) and r.codes]
    errors = np.array([e for r in told for e in r.errors] or [np.nan])
    inside, widths = [i for r in told for i in r.inside], [w for r in told for w in r.widths] or [float("nan")]
    return "| " + " | ".join((
        name, str(len(rows)), str(len({r.engine for r in rows})), str(len(due)),
        share([r.answered for r in due], due), share([r.answered for r in may], may),
        share([r.wrong for r in rows], rows),
        share([r.blamed for r in told], told), share([r.missed for r in told], told),
        share([r.right_reason for r in none_due], none_due),
        f"{errors.mean():.1f}, {np.quantile(errors, 0.95):.1f}",
        f"{100.0 * np.mean(inside or [np.nan]):.1f} %, {np.median(widths):.1f}")) + " |"


def share(hits: list[bool], rows: list[Row]) -> str:
    """Return how many of how many with the limits in percent, such as ``3 of 40 (1.57-20.4 %)``."""
    from crankfold.analysis.many.proportion import grouped_proportion

    if not rows:
        return "-"
    found = grouped_proportion(hits, [r.engine for r in rows])
    return f"{found.found} of {found.of} ({100.0 * found.low:.3g}-{100.0 * found.high:.3g} %)"


def reasons(rows: Iterable[Row]) -> str:
    """Return the first reasons of what was refused though a verdict was due, the commonest first."""
    found = Counter(r.reasons[0] for r in rows if r.refused and r.reasons)
    return ", ".join(f"{code} {count}" for code, count in found.most_common()) or "none"
