"""A result as one flat row, or as a row a cylinder: plain numbers, texts and None, for any table or data frame."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from crankfold.analysis.result import Cylinder, Notice, Result

Cell = str | int | float | None
"""What stands in a row. Several codes or numbers in one cell are texts joined by spaces, in their own order."""

DIGITS = 4  # after the mark, as in the JSON of a result: far beyond any use, and the same on every machine
CRANKING = ("onset_s", "end_s", "cycles", "rpm", "inrush_a", "mean_a", "sample_rate_hz")
HEALTH = ("sag_percent", "stall_current_a", "resistance_ohm", "voltage_v")
CYLINDER = ("cylinder", "relative_percent", "low_end_percent", "high_end_percent", "state", "pressure_bar",
            "low_end_bar", "high_end_bar")
"""What is said of each cylinder; in a flat row the names begin with ``position_1_`` and so on."""


def result_row(result: Result) -> dict[str, Cell]:
    """Return the whole of a result as one flat row.

    The names are the same for every result but for the cylinders', of which there are as many as the engine has. A
    result without a verdict has None there.
    """
    engine, weakest = result.engine, min(result.cylinders, key=lambda c: c.relative_percent, default=None)
    row: dict[str, Cell] = {
        "verdict": result.verdict,
        "reasons": _codes(result.reasons),
        "low": _joined(result.low),
        "low_positions": _joined(result.low_positions),
        "weakest_percent": None if weakest is None else _number(weakest.relative_percent),
        "cautions": _codes(result.cautions),
        "notes": _codes(result.notes),
        "pattern": result.pattern.code if result.pattern is not None else None,
        "engine": engine.name or None,
        "firing_order": "-".join(map(str, engine.firing_order)),
        "intervals_deg": "-".join(f"{x:g}" for x in engine.intervals_deg),
        "strokes": engine.strokes,
        "fuel": engine.fuel or None,
        "system_v": engine.system_v,
        "sync": None if result.sync is None else result.sync.kind,
        "sync_cylinder": None if result.sync is None else result.sync.cylinder,
        "sync_events": None if result.sync is None else result.sync.events,
        "sync_confidence": None if result.sync is None else _number(result.sync.confidence),
    }
    row |= {name: _number(getattr(result.cranking, name, None)) for name in CRANKING}
    row |= {name: _number(getattr(result.health, name, None)) for name in HEALTH}
    told = {c.position: cylinder_row(c) for c in result.cylinders}
    for position in range(1, engine.cylinders + 1):
        row |= {f"position_{position}_{name}": told.get(position, {}).get(name) for name in CYLINDER}
    return row


def cylinder_rows(result: Result) -> list[dict[str, Cell]]:
    """Return a row a cylinder, in firing order; none where there is no verdict."""
    return [{"position": c.position, **cylinder_row(c)} for c in result.cylinders]


def cylinder_row(cylinder: Cylinder) -> dict[str, Cell]:
    """Return what is said of one cylinder, by the names in `CYLINDER`.

    >>> from crankfold.analysis.result import Cylinder
    >>> row = cylinder_row(Cylinder(2, 3, 61.25, (60.1, 62.4), "low"))
    >>> row["cylinder"], row["relative_percent"], row["high_end_percent"], row["state"], row["pressure_bar"]
    (3, 61.25, 62.4, 'low', None)
    """
    low, high = cylinder.interval_percent
    low_bar, high_bar = cylinder.pressure_interval_bar or (None, None)
    values: tuple[Cell, ...] = (
        cylinder.cylinder, _number(cylinder.relative_percent), _number(low), _number(high), cylinder.state,
        _number(cylinder.pressure_bar), _number(low_bar), _number(high_bar))
    return dict(zip(CYLINDER, values, strict=True))


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), DIGITS)


def _codes(notices: Iterable[Notice]) -> str | None:
    return _joined(notice.code for notice in notices)


def _joined(parts: Iterable[object]) -> str | None:
    return " ".join(map(str, parts)) or None
