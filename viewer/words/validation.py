"""A comparison with gauge readings, in words and as plain data."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from crankfold.viewer.words.catalogue import say, say_count

if TYPE_CHECKING:
    from crankfold.analysis import Agreement, Proportion, Validation, Verdicts

FORMAT = "crankfold.validation/1"
DIGITS = 6
SHOWN_WRONG = 12  # names of wrong engines in a line; the rest is in the JSON
FEW_ENGINES = 20  # below it the limits themselves are rough: with 19 degrees of freedom known to about a third


@dataclass(frozen=True)
class Speeds:
    """The gauge's and the starter's mean speed, and bias and limits with the gauge carried over to the latter."""

    gauge_rpm: float
    cranking_rpm: float
    agreement: Agreement


def validation_headline(found: Validation) -> str:
    """Return the one sentence that says what came out."""
    v = found.verdicts
    if v.engines == 1:
        return say(f"validate.headline.only_{'wrong' if v.wrong else 'right' if v.right else 'open'}")
    facts = {"engines": v.engines, "decided": v.right + v.wrong}
    return say_count("validate.headline", v.wrong, **facts) if v.wrong else say("validate.headline.none", **facts)


def validation_lines(found: Validation, speeds: Speeds | None) -> list[str]:
    """Return everything else, a sentence a line: wrong ones first."""
    out = [] if not found.wrong else [say("validate.wrong", names=_some(found.wrong))]
    out += [_verdicts(found.verdicts), plain_sentence(found.verdicts), *difference_lines(found)]
    if found.line is not None and found.line.slope_interval is not None:
        low, high = found.line.slope_interval
        out.append(say("validate.slope", slope_share=found.line.slope, low_share=low, high_share=high))
    out += [share_line(f"validate.{name}", getattr(found, name)) for name in
            ("inside", "compatible", "sensitivity", "specificity") if getattr(found, name).of]
    if speeds is not None:
        low, high = speeds.agreement.limits
        out.append(say("validate.speeds", gauge_rpm=speeds.gauge_rpm, cranking_rpm=speeds.cranking_rpm,
                       bias_points=speeds.agreement.bias, low_points=low, high_points=high))
    return [*out, *_cautions(found)]


def _some(names: Sequence[str]) -> tuple[str, ...]:
    more = len(names) - SHOWN_WRONG
    return (*names[:SHOWN_WRONG], *((say("validate.more", count=more),) if more > 0 else ()))


def _verdicts(v: Verdicts) -> str:
    return say("validate.verdicts", clear=v.clear, engines=v.engines, right=v.right, wrong=v.wrong,
               undecided=v.undecided, unanswered=v.unanswered)


def plain_sentence(v: Verdicts) -> str:
    """Return what so many engines show, and what more would."""
    decided = v.right + v.wrong
    if not decided:
        return say("validate.shows_nothing")
    if v.right == 1 and not v.wrong:
        return say("validate.shows.single")
    under = math.ceil(1000.0 * v.fewer_than) / 10.0  # upward, so that the sentence stays true
    facts = {"decided": decided, "under_points": under}
    return say_count("validate.shows", v.wrong, **facts) if v.wrong else say("validate.shows.none", **facts)


def difference_lines(found: Validation) -> list[str]:
    """Return bias and limits of agreement, nothing where there are too few pairs."""
    if found.agreement is None:
        return []
    a = found.agreement
    out = [say("validate.limits", count=a.count, low_points=a.limits[0], high_points=a.limits[1])]
    if a.bias_interval is None:
        return [say("validate.bias_only", bias_points=a.bias), *out]
    low, high = a.bias_interval
    return [say("validate.bias", bias_points=a.bias, low_points=low, high_points=high), *out]


def share_line(key: str, p: Proportion) -> str:
    """Return a share with its limits."""
    return say(key, found=p.found, of=p.of, share_points=100.0 * (p.share or 0.0), low_points=100.0 * p.low,
               high_points=100.0 * p.high)


def _cautions(found: Validation) -> list[str]:
    engines, out = found.verdicts.engines, []
    if found.blind < engines:
        out.append(say("validate.not_blind", count=engines - found.blind, engines=engines))
    if found.sealed < engines:
        out.append(say("validate.not_sealed", count=engines - found.sealed, engines=engines))
    if found.unnamed:
        out.append(say("validate.unnamed", count=found.unnamed))
    if engines < FEW_ENGINES:
        out.append(say("validate.few", count=engines))
    return out


def validation_data(found: Validation, speeds: Speeds | None, left_out: Mapping[str, str]) -> dict[str, Any]:
    """Return a comparison as plain data; `left_out` says why, by the name of the file."""
    pairs = [{**asdict(p), "difference": p.difference, "inside": p.inside, "normalised_error": p.normalised_error}
             for p in found.pairs]
    data = {
        "format": FORMAT, "headline": validation_headline(found), "wrong": list(found.wrong),
        "verdicts": asdict(found.verdicts),
        "agreement": None if found.agreement is None else asdict(found.agreement),
        "deming": None if found.line is None else asdict(found.line),
        **{name: asdict(getattr(found, name)) for name in ("inside", "compatible", "sensitivity", "specificity")},
        "speeds": None if speeds is None else asdict(speeds),
        "blind": found.blind, "sealed": found.sealed, "unnamed": found.unnamed, "left_out": dict(left_out),
        "cylinders": pairs,
    }
    rounded: dict[str, Any] = _rounded(data)
    return rounded


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, DIGITS) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _rounded(inner) for key, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list | tuple) else value
