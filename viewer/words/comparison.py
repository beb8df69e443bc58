"""Before and after in words and as data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crankfold.viewer.words.catalogue import say, say_count
from crankfold.viewer.words.result_json import result_data

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Difference, Result
    from crankfold.viewer.session import Judged

FORMAT = "crankfold.comparison/1"
DOWN = ("low", "dead")  # states that a repair should have changed


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
    """Return the one short sentence that says what changed, and first what did not change and should have."""
    still = [d for d in differences if d.before_state in DOWN and d.after_state in DOWN]
    worse = [d for d in differences if d.change == "worse" and d not in still]
    better = [d for d in differences if d.change == "better" and d not in still]
    if still:
        return _not_fixed(still, worse, better)
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


def _not_fixed(still: Sequence[Difference], worse: Sequence[Difference], better: Sequence[Difference]) -> str:
    """Return the sentence for cylinders that are as low as before, or better and still low."""
    dead = all(d.after_state == "dead" for d in still)
    what = say_count(f"compare.still_{'dead' if dead else 'low'}", len(still), names=_names(still),
                     percents=tuple(say("down.percent", relative_percent=d.after_percent) for d in still))
    if worse:
        return say("compare.not_fixed_worse", what=what, worse=_names(worse))
    if better:
        return say("compare.partly_fixed", what=what)
    rose = all(d.change == "better" for d in still)
    return say("compare.better_but" if rose else "compare.not_fixed", what=what)


def low_ones_first(differences: Sequence[Difference]) -> list[Difference]:
    """Return every cylinder's difference: those that are low now, then those that were, then the others by number."""
    return sorted(differences, key=lambda d: (d.after_state not in DOWN, d.before_state not in DOWN,
                                              d.cylinder if d.cylinder is not None else d.position))


def _names(differences: Sequence[Difference]) -> tuple[str, ...]:
    numbers = [d.cylinder if d.cylinder is not None else d.position for d in differences]
    return tuple(str(n) for n in sorted(numbers))


def changed_words(difference: Difference) -> str:
    """Return one cylinder's change as a sentence."""
    low, high = difference.interval_percent
    return say(f"compare.row_{difference.change}", name=_names([difference]), before_percent=difference.before_percent,
               after_percent=difference.after_percent, change_points=signed(difference.difference_percent),
               low_points=signed(low), high_points=signed(high))


def change_cell(difference: Difference) -> str:
    """Return one cylinder's change in a few words, for where there is little room."""
    return say(f"compare.cell_{difference.change}", name=_names([difference]), before_percent=difference.before_percent,
               after_percent=difference.after_percent, state=say(f"state.{difference.after_state}"))


def change_cells(difference: Difference) -> list[str]:
    """Return one cylinder's change as the cells of a table."""
    low, high = difference.interval_percent
    return [*_names([difference]), *(say("found.percent", relative_percent=percent)
                                     for percent in (difference.before_percent, difference.after_percent)),
            say("compare.points", change_points=signed(difference.difference_percent), low_points=signed(low),
                high_points=signed(high)),
            _outcome(difference)]


def _outcome(difference: Difference) -> str:
    """Return what came of a cylinder in a few words: its change, and its state where that is not good."""
    if difference.change == "cannot-tell" and difference.before_state in DOWN and difference.after_state in DOWN:
        return say(f"compare.change_still_{difference.after_state}")
    words = say(f"compare.change_{difference.change}")
    return words if difference.after_state == "good" else f"{words}, {say(f'state.{difference.after_state}')}"


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
            "interval_percent": [round(x, 4) for x in d.interval_percent], "change": d.change,
            "before_state": d.before_state, "after_state": d.after_state} for d in differences],
        "before": result_data(before),
        "after": result_data(after),
    }
