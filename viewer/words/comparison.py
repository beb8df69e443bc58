"""Before and after in words and as data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crankfold.viewer.words.catalogue import say
from crankfold.viewer.words.result_json import result_data

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Difference, Result
    from crankfold.viewer.session import Judged

FORMAT = "crankfold.comparison/1"


def differences_between(before: Judged, after: Judged, same: str) -> tuple[Difference, ...]:
    """Return what changed between two captures of one engine, cylinder by cylinder.

    Parameters
    ----------
    before, after
        Both with a verdict.
    same
        What to say where both are the same recording, which shows nothing of a repair.

    Raises
    ------
    InputError
        They are the same recording, or cannot be compared.
    """
    from crankfold.analysis import InputError, compare, same_recordings

    if same_recordings([before.result, after.result])[1] is not None:
        raise InputError(same)
    return compare(before.result, after.result)


def comparison_headline(differences: Sequence[Difference]) -> str:
    """Return the one short sentence that says what changed."""
    better = [d for d in differences if d.change == "better"]
    worse = [d for d in differences if d.change == "worse"]
    if better and worse:
        return say("compare.both", better=_names(better), worse=_names(worse))
    changed, key = (better, "better") if better else (worse, "worse")
    if not changed:
        return say("compare.same")
    if len(changed) > 1:
        return say(f"compare.many_{key}", names=_names(changed))
    only = changed[0]
    return say(f"compare.one_{key}", name=_names(changed), before_percent=only.before_percent,
               after_percent=only.after_percent)


def _names(differences: Sequence[Difference]) -> tuple[str, ...]:
    numbers = [d.cylinder if d.cylinder is not None else d.position for d in differences]
    return tuple(str(n) for n in sorted(numbers))


def changed_words(difference: Difference) -> str:
    """Return one cylinder's change as a sentence."""
    low, high = difference.interval_percent
    return say(f"compare.row_{difference.change}", name=_names([difference]), before_percent=difference.before_percent,
               after_percent=difference.after_percent, change_points=signed(difference.difference_percent),
               low_points=signed(low), high_points=signed(high))


def signed(value: float) -> str:
    """Return a number of points with its sign."""
    return f"{value:+.0f}" if round(value) else "0"


def comparison_data(before: Result, after: Result, differences: Sequence[Difference]) -> dict[str, Any]:
    """Return a comparison as plain data; without differences where one of the two has no verdict."""
    return {
        "format": FORMAT,
        "headline": comparison_headline(differences) if differences else "",
        "differences": [{
            "position": d.position, "cylinder": d.cylinder, "before_percent": round(d.before_percent, 4),
            "after_percent": round(d.after_percent, 4), "difference_percent": round(d.difference_percent, 4),
            "interval_percent": [round(x, 4) for x in d.interval_percent], "change": d.change} for d in differences],
        "before": result_data(before),
        "after": result_data(after),
    }
