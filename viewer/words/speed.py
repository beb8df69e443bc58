"""What the crank's speed says, in words and as plain data, alone and beside a current."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crankfold.viewer.words.catalogue import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Engine, SpeedEstimate, TwoViews

FORMAT = "crankfold.speed/1"
DIGITS = 4


def speed_headline(estimate: SpeedEstimate, limit_percent: float) -> str:
    """Return the one sentence: even, uneven, or too near the limit to say."""
    low = [k for k, _ in enumerate(estimate.percent) if estimate.percent[k] + estimate.half_percent[k] < limit_percent]
    near = [k for k, p in enumerate(estimate.percent) if abs(p - limit_percent) <= estimate.half_percent[k]]
    if low:
        weakest = float(min(estimate.percent[k] for k in low))
        return say("speed.one_low" if len(low) == 1 else "speed.several_low", count=len(low), relative_percent=weakest)
    if near:
        return say("speed.near", relative_percent=float(estimate.percent[near].min()))
    return say("speed.even", count=len(estimate.percent))


def speed_lines(estimate: SpeedEstimate, engine: Engine) -> list[str]:
    """Return a line a position, and what they rest on."""
    lines = [say("speed.row", name=name, relative_percent=float(p), low_percent=max(0.0, float(p - h)),
                 high_percent=min(100.0, float(p + h)))
             for name, p, h in zip(_names(estimate, engine), estimate.percent, estimate.half_percent, strict=True)]
    lines.append(say("speed.basis", cycles=estimate.cycles, rpm=estimate.rpm, tdc_deg=estimate.tdc_deg))
    lines.append(say("speed.leaks_only"))
    if not estimate.placed:
        lines.append(say("speed.unplaced"))
    elif _alike(engine):
        lines.append(say("speed.strokes"))
    return lines


def _alike(engine: Engine) -> bool:
    """Return whether the firing pattern looks the same half a cycle later, so that an index cannot tell strokes."""
    n = engine.cylinders
    return engine.strokes == 4 and n % 2 == 0 and (n // 2) % engine.pattern_length == 0


def _names(estimate: SpeedEstimate, engine: Engine) -> Sequence[str]:
    n, order = engine.cylinders, engine.firing_order
    if not estimate.placed:
        return [say("name.position", position=k + 1) for k in range(n)]
    if _alike(engine):
        return [say("speed.either", first=order[k], second=order[(k + n // 2) % n]) for k in range(n)]
    return [say("name.cylinder", cylinder=number) for number in order]


def views_lines(views: TwoViews) -> list[str]:
    """Return whether speed and current agree, and a line a cylinder: what each says, and both together."""
    lines = [say("speed.agree" if views.agree else "speed.disagree")]
    for k, number in enumerate(views.cylinders):
        name = say("name.position", position=k + 1) if number is None else say("name.cylinder", cylinder=number)
        facts = {"name": name, "current_percent": float(views.by_current[k]), "speed_percent": float(views.by_speed[k])}
        if not views.agree:
            lines.append(say("speed.pair", **facts))
            continue
        lines.append(say("speed.together", relative_percent=float(views.percent[k]),
                         half_points=float(views.half_percent[k]), **facts))
    return [*lines, say("speed.turned")] if views.turned else lines


def speed_data(estimate: SpeedEstimate, engine: Engine, views: TwoViews | None) -> dict[str, Any]:
    """Return everything as plain data."""
    data: dict[str, Any] = {
        "format": FORMAT, "firing_order": list(engine.firing_order), "placed": estimate.placed,
        "cycles": estimate.cycles, "rpm": round(estimate.rpm, DIGITS), "explained": round(estimate.explained, 6),
        "tdc_deg": round(estimate.tdc_deg, DIGITS),
        "positions": [{"position": k + 1, "relative_percent": round(float(p), DIGITS), "interval_percent": [
            round(max(0.0, float(p - h)), DIGITS), round(min(100.0, float(p + h)), DIGITS)]}
            for k, (p, h) in enumerate(zip(estimate.percent, estimate.half_percent, strict=True))],
        "beside": None}
    if views is not None:
        data["beside"] = {
            "agree": views.agree, "turned": views.turned, "cylinders": list(views.cylinders),
            **{name: [round(float(x), DIGITS) for x in getattr(views, name)]
               for name in ("by_current", "by_speed", "normalised", "percent", "half_percent")}}
    return data
