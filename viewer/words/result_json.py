"""The JSON of a result: the one place where it is made."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from crankfold.viewer.words.headlines import headline
from crankfold.viewer.words.next_steps import kind_of, steps, steps_data
from crankfold.viewer.words.sentences import RULE_PERCENT, next_steps, notice_text
from crankfold.viewer.words.terminal import acts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Cranking, Cylinder, Health, Notice, Result, SyncFound

FORMAT = "crankfold.result/1"
_DIGITS = 4  # beyond any use, and short


def result_data(result: Result) -> dict[str, Any]:
    """Return a result as plain data: what `json.dumps` writes, with no number that is not finite."""
    return {
        "format": FORMAT,
        "verdict": result.verdict,
        "headline": headline(result),
        "reasons": _notices("reason", result.reasons, kind_of(result.engine)),
        "cylinders": _cylinders(result),
        "at_gauge_speed": _at_gauge_speed(result),
        "low": list(result.low),
        "low_positions": list(result.low_positions),
        "sync": _sync(result.sync),
        "sync_sources": [asdict(source) | {"confidence": _finite(source.confidence)}
                         for source in result.sync_sources],
        "cranking": _cranking(result.cranking),
        "cautions": _notices("caution", result.cautions, kind_of(result.engine)),
        "notes": _notices("note", result.notes),
        "pattern": _pattern(result),
        "next": list(next_steps(result)),
        "next_test": steps_data(result),
        "health": _health(result.health),
        "engine": {"name": result.engine.name, "firing_order": list(result.engine.firing_order),
                   "intervals_deg": [_finite(x) for x in result.engine.intervals_deg],
                   "strokes": result.engine.strokes, "fuel": result.engine.fuel or None,
                   "system_v": result.engine.system_v},
    }


def result_text(result: Result) -> str:
    """Return a result as JSON text, ending in a newline."""
    return json_text(result_data(result))


def json_text(data: dict[str, Any]) -> str:
    """Return data as JSON text; letters stay readable, and what could steer a terminal is escaped."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    return "".join(c if c == "\n" or not acts(c) else json.dumps(c)[1:-1] for c in text) + "\n"


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), _DIGITS)


def _cylinders(result: Result) -> list[dict[str, Any]]:
    from crankfold.analysis import at_gauge_speed

    out = [_cylinder(c) for c in result.cylinders]
    found = at_gauge_speed(result, RULE_PERCENT)
    if found is not None:
        for data, percent, ends in zip(out, found.percent, found.interval_percent, strict=True):
            data["at_gauge_speed_percent"] = _finite(percent)
            data["at_gauge_speed_interval_percent"] = [_finite(x) for x in ends]
    return out


def _at_gauge_speed(result: Result) -> dict[str, Any] | None:
    from crankfold.analysis import at_gauge_speed

    found = at_gauge_speed(result, RULE_PERCENT)
    if found is None:
        return None
    return {"rpm": _finite(found.gauge_rpm), "limit_percent": RULE_PERCENT,
            "limit_here_percent": _finite(found.limit_percent)}


def _cylinder(cylinder: Cylinder) -> dict[str, Any]:
    out: dict[str, Any] = {
        "position": cylinder.position,
        "cylinder": cylinder.cylinder,
        "relative_percent": _finite(cylinder.relative_percent),
        "interval_percent": [_finite(x) for x in cylinder.interval_percent],
        "state": cylinder.state,
        "low_probability": _finite(cylinder.low_probability),
        "dead_probability": _finite(cylinder.dead_probability),
    }
    if cylinder.pressure_bar is not None and cylinder.pressure_interval_bar is not None:
        out["pressure_bar"] = _finite(cylinder.pressure_bar)
        out["pressure_interval_bar"] = [_finite(x) for x in cylinder.pressure_interval_bar]
    return out


def _sync(sync: SyncFound | None) -> dict[str, Any] | None:
    if sync is None:
        return None
    return {"kind": sync.kind, "cylinder": sync.cylinder, "events": sync.events, "confidence": _finite(sync.confidence)}


def _cranking(cranking: Cranking | None) -> dict[str, Any] | None:
    if cranking is None:
        return None
    return {name: _finite(getattr(cranking, name))
            for name in ("onset_s", "end_s", "cycles", "rpm", "inrush_a", "mean_a", "sample_rate_hz",
                         "run_up_s", "run_up_level", "judged_from_s", "judged_to_s")}


def _health(health: Health | None) -> dict[str, Any] | None:
    if health is None:
        return None
    return {name: _finite(getattr(health, name))
            for name in ("sag_percent", "stall_current_a", "resistance_ohm", "voltage_v", "rest_v", "cranking_v",
                         "lowest_v", "battery_ohm", "starter_ohm", "cable_ohm")}


def _notices(family: str, notices: Sequence[Notice], fuel: str = "") -> list[dict[str, Any]]:
    return [{"code": n.code, "text": notice_text(family, n, fuel), "facts": {k: _fact(v) for k, v in n.facts.items()}}
            for n in notices]


def _pattern(result: Result) -> dict[str, Any] | None:
    if result.pattern is None:
        return None
    said = steps(result)
    return {"code": result.pattern.code, "text": said[0] if said else "",
            "facts": {k: _fact(v) for k, v in result.pattern.facts.items()}}


def _fact(value: object) -> object:
    if isinstance(value, float):
        return _finite(value)
    return list(value) if isinstance(value, tuple) else value
