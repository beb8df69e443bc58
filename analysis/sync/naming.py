"""Which cylinder is which: marks laid on the crank angle of an explanation, and the firing order counted from there.

Only the angle decides. Whether the current's next crest belongs to the spark's own cylinder or to the next one depends
on the starter's lag, so crests are never asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.gas import peak_lead
from crankfold.analysis.result import Notice, SyncFound
from crankfold.analysis.sync.anchor import BAR_IN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis.engine import Engine, SyncSpec
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.sync.pulses import Marks

SPARK_LEAD_DEG = 7.5  # middle of the 5 to 10 degrees before TDC that ignition is set to while cranking
PRESSURE_LEAD_DEG = 1.0  # leak and heat loss bring the peak about a degree before TDC
AGREE_DEG = 15.0  # marks of one event lie this near to their common angle; the fitted angle is good to 6 degrees
OFF_DEG = {"waste-spark": 22.0, "single-spark": 22.0, "cam": 25.0, "pressure": 15.0}
# how far from a TDC marks may lie: spark leads of 0 to 25 degrees, a cam angle read off a drawing, a leaking cylinder
OFF_EVEN_DEG = 60.0
"""Likewise with even firing, where no other placement can be meant: the lag of a heavy starter puts the estimated angle
off by up to so much, as in one engine's measured motion."""
OFF_SHARE = 0.4  # of the way to the next TDC, where TDCs are near to each other
ANGLE_SD_DEG = 8.0  # of the marks' angle against TDC: fitted angle and unknown lead together
CLEARLY_NEARER_DEG = 12.0  # one stroke's TDC must be this much nearer than the other's to tell strokes by angle
MIN_MARKS = 2
MIN_SHARE = 0.6  # of the marks must agree
MIN_SEEN = 0.4  # of the marks that the turns should have given
HEIGHT_RATIO = 1.25  # tall over short below which nobody should tell them apart
HEIGHT_SPREAD = 0.05  # least scatter of the logarithm of a spark's height, whatever few marks seem to show
MIN_CONFIDENCE = 0.95
MAX_CONFIDENCE = 0.999
PLACED = 0.95  # probability of a placement of an uneven pattern: below it another one may be the true one
NO_HUMP_PERCENT = 20.0  # a cylinder with less shows too little to say where it stands
SAME_PLACE_DEG = 15.0  # TDCs nearer than this are one place to a fit that has its angle from the humps alone
PLUG_OUT_PERCENT = 15.0  # a plug hole leaves no compression
PLUG_OUT_OTHERS_PERCENT = 35.0  # a second cylinder this low could be the one instead
PLUG_OUT_SURE = 0.98
NO_PRESSURE_BAR = 1.5  # gauge; what a cylinder without compression reaches at most

_NORMAL = NormalDist()


@dataclass(frozen=True)
class Naming:
    """Where the firing order lies in an explanation.

    Parameters
    ----------
    chosen
        Which of the explanations.
    first
        Index in its arrays of the firing order's position 1, None when the cylinders cannot be named.
    sync
        What named them.
    caution
        Why they could not be named though there was something to name them by.
    """

    chosen: int
    first: int | None
    sync: SyncFound | None = None
    caution: Notice | None = None


@dataclass(frozen=True)
class _Place:
    """The marked cylinder's index in an explanation, how far the marks lie from its TDC, and how sure."""

    index: int
    off_deg: float
    confidence: float


class _NoNameError(Exception):
    def __init__(self, why: str, **facts: float | int | str) -> None:
        super().__init__(why)
        self.notice = Notice("sync-cannot-name", {"why": why, **facts})


def name_by_marks(marks: Marks, spec: SyncSpec, engine: Engine, estimates: Sequence[Estimate]) -> Naming:
    """Return which explanation the marks choose and where position 1 lies in it.

    Parameters
    ----------
    marks
        The marks within the judged cranking.
    spec
        What they mark.
    engine
        Its firing order and intervals.
    estimates
        Explanations of the current, best first; with uneven firing each places the pattern its own way.
    """
    refused: list[Notice] = []
    for k, estimate in enumerate(estimates):
        try:
            place = _place(marks, spec, engine, estimate)
        except _NoNameError as no:
            refused.append(no.notice)
            continue
        first = (place.index - engine.position_of(spec.cylinder)) % engine.cylinders
        found = SyncFound(spec.kind, spec.cylinder, marks.count, round(place.confidence, 3))
        return Naming(k, first, found)
    if spec.kind == "pressure" and _no_pressure(marks):
        absent = name_by_plug_out(spec, engine, estimates)
        if absent.first is not None:
            return replace(absent, caution=None)
    return Naming(0, None, None, refused[0])


def _no_pressure(marks: Marks) -> bool:
    """Return whether a pressure channel shows that its own cylinder does not compress: it is the dead one then."""
    factor = BAR_IN.get(marks.unit.lower())
    return factor is not None and bool(marks.count == 0 or np.median(marks.height) * factor < NO_PRESSURE_BAR)


def _place(marks: Marks, spec: SyncSpec, engine: Engine, estimate: Estimate) -> _Place:
    inside = marks.within(float(estimate.time_s[0]), float(estimate.time_s[-1]))
    if inside.count < MIN_MARKS:
        raise _NoNameError("too-few-marks", marks=inside.count, needed=MIN_MARKS)
    lead = {"cam": -spec.edge_deg, "pressure": PRESSURE_LEAD_DEG}.get(spec.kind, SPARK_LEAD_DEG)
    angle = np.interp(inside.time_s, estimate.time_s, estimate.angle_deg) + lead
    sparks = spec.kind in ("waste-spark", "single-spark")
    turn = 360.0 if sparks else engine.cycle_deg
    centre, agree = common_angle(angle, turn)
    share = float(agree.mean())
    if agree.sum() < MIN_MARKS or share < MIN_SHARE:
        raise _NoNameError("marks-scatter", marks=inside.count, agree=int(agree.sum()))
    seen = share_seen(estimate, angle, agree, engine.cycle_deg if spec.kind != "waste-spark" else 360.0)
    if seen < MIN_SEEN:
        raise _NoNameError("marks-missing", marks=int(agree.sum()), seen_percent=round(100 * seen))
    if sparks and engine.strokes == 4:
        place = _by_stroke(angle[agree], inside.height[agree], centre, spec, engine)
    else:
        place = _nearest(centre, spec, engine, _early_deg(spec, estimate))
    confidence = min(MAX_CONFIDENCE, place.confidence * (1.0 - 0.1 * (1.0 - share)))
    if confidence < MIN_CONFIDENCE:
        raise _NoNameError("unsure", confidence_percent=round(100 * confidence))
    return _Place(place.index, place.off_deg, confidence)


def common_angle(angle: NDArray[np.float64], turn: float) -> tuple[float, NDArray[np.bool_]]:
    """Return the angle, modulo `turn`, that most marks share, and which marks share it."""
    apart = np.abs(wrap(angle[:, None] - angle[None, :], turn))
    best = int(np.argmax((apart <= AGREE_DEG).sum(axis=1) - apart.mean(axis=1) / turn))
    agree = apart[best] <= AGREE_DEG
    centre = angle[best] + float(np.median(wrap(angle[agree] - angle[best], turn)))
    agree = np.abs(wrap(angle - centre, turn)) <= AGREE_DEG
    return float(centre % turn), agree


def share_seen(estimate: Estimate, angle: NDArray[np.float64], agree: NDArray[np.bool_], every: float) -> float:
    """Return how many of the marks that the turns should have given were seen, once each."""
    expected = max(1.0, (estimate.angle_deg[-1] - estimate.angle_deg[0]) / every - 0.5)
    events = len(set(np.round((angle[agree] - angle[agree][0]) / every).tolist()))
    return float(events / expected)


def wrap(angle: NDArray[np.float64] | float, turn: float) -> NDArray[np.float64]:
    """Return an angle modulo `turn`, from half a turn below zero to half a turn above."""
    return (np.asarray(angle) + turn / 2) % turn - turn / 2


def _allowed(spec: SyncSpec, engine: Engine) -> NDArray[np.int64]:
    """Return the indices of an explanation that the marked cylinder can have, given where the pattern lies."""
    n, every = engine.cylinders, engine.pattern_length
    index = np.arange(n)
    allowed: NDArray[np.int64] = index[(index - engine.position_of(spec.cylinder)) % every == 0]
    return allowed


def _off(centre: float, spec: SyncSpec, engine: Engine) -> tuple[int, float]:
    """Return the index whose TDC is nearest to an angle, among those allowed, and the angle from it, degrees."""
    allowed = _allowed(spec, engine)
    off = wrap(centre - engine.firing_deg[allowed], engine.cycle_deg)
    k = int(np.argmin(np.abs(off)))
    return int(allowed[k]), float(off[k])


def _early_deg(spec: SyncSpec, estimate: Estimate) -> NDArray[np.float64]:
    """Return how much earlier than a tight one's each cylinder's mark may come, degrees.

    A cylinder that leaks has its highest pressure earlier, the more so the more it leaks; one that fills badly has not.
    """
    if spec.kind != "pressure":
        return np.zeros(len(estimate.relative_percent))
    return np.interp(estimate.relative_percent, *peak_lead())


def _nearest(centre: float, spec: SyncSpec, engine: Engine, early_deg: NDArray[np.float64]) -> _Place:
    """Return the cylinder whose TDC, or whose early peak, the marks are nearest to."""
    allowed = _allowed(spec, engine)
    off = wrap(centre - engine.firing_deg[allowed], engine.cycle_deg)
    outside = np.maximum(np.maximum(off, -off - early_deg[allowed]), 0.0)
    k = int(np.lexsort((np.abs(off), outside))[0])
    index, gap = int(allowed[k]), _room(int(allowed[k]), engine)
    if outside[k] > min(_reach(spec, engine), OFF_SHARE * gap):
        raise _NoNameError("marks-between", off_deg=round(float(off[k]), 1))
    clear = gap / 2 - float(outside[k]) - 0.5 * float(early_deg[index])
    return _Place(index, float(off[k]), _NORMAL.cdf(clear / ANGLE_SD_DEG) if gap < 360 else MAX_CONFIDENCE)


def _reach(spec: SyncSpec, engine: Engine) -> float:
    return OFF_EVEN_DEG if engine.even_firing else OFF_DEG[spec.kind]


def _room(index: int, engine: Engine) -> float:
    """Return the angle from a cylinder's TDC to the nearest other one, degrees."""
    if engine.cylinders == 1:
        return engine.cycle_deg
    return float(min(engine.intervals_deg[index], engine.intervals_deg[index - 1]))


def _by_stroke(angle: NDArray[np.float64], height: NDArray[np.float64], centre: float, spec: SyncSpec,
               engine: Engine) -> _Place:
    """Return the place that sparks on one or both strokes mark; `centre` is their angle modulo one turn."""
    here = np.abs(wrap(angle - centre, 720.0)) <= 180.0
    strokes = {0: _off(centre, spec, engine), 1: _off(centre + 360.0, spec, engine)}
    room = {k: min(_reach(spec, engine), OFF_SHARE * _room(strokes[k][0], engine)) for k in strokes}
    nearer = min(strokes, key=lambda k: abs(strokes[k][1]))
    fits = [k for k in strokes if abs(strokes[k][1]) <= room[k]]
    if not fits:
        raise _NoNameError("marks-between", off_deg=round(strokes[nearer][1], 1))
    apart = abs(strokes[1 - nearer][1]) - abs(strokes[nearer][1])
    tall, sure = _tall_stroke(height[here], height[~here], single=spec.kind == "single-spark")
    if apart >= CLEARLY_NEARER_DEG:
        if tall is not None and tall != nearer and sure > MIN_CONFIDENCE:
            raise _NoNameError("height-against-angle", off_deg=round(strokes[nearer][1], 1))
        return _Place(*strokes[nearer], _NORMAL.cdf(apart / 2 / (ANGLE_SD_DEG / 2)))
    if tall is None or sure < MIN_CONFIDENCE:
        ratio = _ratio(height[here], height[~here])
        raise _NoNameError("strokes-alike", cylinder=spec.cylinder, companion=engine.companion_of(spec.cylinder) or 0,
                           ratio=round(ratio, 2))
    if tall not in fits:
        raise _NoNameError("marks-between", off_deg=round(strokes[tall][1], 1))
    gap = _room(strokes[tall][0], engine)
    return _Place(*strokes[tall], sure * _NORMAL.cdf((gap / 2 - abs(strokes[tall][1])) / ANGLE_SD_DEG))


def _tall_stroke(here: NDArray[np.float64], there: NDArray[np.float64], *, single: bool) -> tuple[int | None, float]:
    """Return which stroke (0 here, 1 there) has the tall sparks and how sure that is, None when they are alike.

    A single coil's sparks all on one stroke are what was promised. A waste-spark stroke without any spark had its
    sparks below notice: the other one is the tall one, if it was seen often enough.
    """
    if min(len(here), len(there)) == 0:
        many = max(len(here), len(there))
        return (0 if len(here) else 1), 1.0 - 0.5 * 0.1**many if single else 1.0 - 0.5 ** (2 * many)
    if max(len(here), len(there)) >= 4 * min(len(here), len(there)):
        # single sparks with a stray pulse on the other stroke: the stray one must not be the taller
        often = 0 if len(here) > len(there) else 1
        return often, 1.0 - 0.5 ** max(len(here), len(there))
    a, b = np.log(np.maximum(here, 1e-12)), np.log(np.maximum(there, 1e-12))
    apart = float(np.median(a) - np.median(b))
    if abs(apart) < math.log(HEIGHT_RATIO):
        return None, 0.5
    spread = [max(HEIGHT_SPREAD, float(np.median(np.abs(x - np.median(x))) * 1.4826)) for x in (a, b)]
    error = math.sqrt(1.57 * sum(s * s / len(x) for s, x in zip(spread, (a, b), strict=True)))
    return (0 if apart > 0 else 1), _NORMAL.cdf(abs(apart) / error)


def _ratio(here: NDArray[np.float64], there: NDArray[np.float64]) -> float:
    if min(len(here), len(there)) == 0:
        return 1.0
    a, b = float(np.median(here)), float(np.median(there))
    return max(a, b) / max(min(a, b), 1e-12)


def name_by_pattern(engine: Engine, estimates: Sequence[Estimate]) -> Naming:
    """Return the naming that uneven firing intervals give by themselves; none for even firing.

    A pattern that repeats within the cycle leaves several places. So do dead cylinders where the humps that are left
    would fit it turned otherwise as well, and explanations that fit nearly as well with another placement.
    """
    n = engine.cylinders
    if n == 1:
        return Naming(0, 0)
    if engine.even_firing or engine.pattern_length != n:
        return Naming(0, None)
    best = estimates[0]
    if _fits_turned(best.relative_percent >= NO_HUMP_PERCENT, engine):
        return Naming(0, None, None, Notice("pattern-ambiguous"))
    return Naming(0, 0) if best.placed >= PLACED else Naming(0, None, None, Notice("pattern-ambiguous"))


def _fits_turned(humps: NDArray[np.bool_], engine: Engine) -> bool:
    """Return whether the cylinders that have humps, turned against the pattern, meet TDCs all the same.

    One hump of two does; so do three of 270-180-90-180 with either cylinder of the 90 gone.
    """
    fire, cycle = np.asarray(engine.firing_deg), engine.cycle_deg
    seen = fire[humps]
    if not len(seen):
        return True
    for turn in np.delete(fire, int(np.flatnonzero(humps)[0])) - seen[0]:
        apart = np.abs(wrap(seen[:, None] + turn - fire[None, :], cycle))
        if (apart.min(axis=1) < SAME_PLACE_DEG).all():
            return True
    return False


def name_by_plug_out(spec: SyncSpec, engine: Engine, estimates: Sequence[Estimate]) -> Naming:
    """Return the naming by the one cylinder that cannot compress because its plug is out.

    It must be the only one without compression, and with uneven firing stand where the pattern can have it.
    """
    for k, estimate in enumerate(estimates):
        values = estimate.relative_percent
        index = int(np.argmin(values))
        rest = np.delete(values, index)
        if values[index] > PLUG_OUT_PERCENT or (len(rest) and rest.min() < PLUG_OUT_OTHERS_PERCENT):
            continue
        if index not in _allowed(spec, engine):
            continue
        first = (index - engine.position_of(spec.cylinder)) % engine.cylinders
        return Naming(k, first, SyncFound(spec.kind, spec.cylinder, 1, PLUG_OUT_SURE),
                      Notice("plug-out-cylinder", {"cylinder": spec.cylinder}))
    return Naming(0, None, None, Notice("sync-cannot-name", {"why": "plug-out-not-seen", "cylinder": spec.cylinder}))
