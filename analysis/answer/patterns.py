"""What the pattern of low cylinders tells a diagnostician: which parts they share, and the test that settles it.

Codes and facts only; the sentences are worded elsewhere. `settle` names the test, `not_first` what not to buy before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.result import Cylinder

SPARE_PARTS = "spark-plugs,coil,injector"  # none of them raises compression
HIGH_RATIO = 1.15  # one cylinder this far above the median of the rest: suspect liquid in it
HIGH_SPREAD_PERCENT = 12.0  # the rest must be this much alike for one to stand out above them
MIN_FOR_HIGH = 4  # with three cylinders, one high and two low look the same


def find_pattern(engine: Engine, cylinders: Sequence[Cylinder]) -> Notice | None:
    """Return the pattern that the low and dead cylinders make, None when none is down.

    Codes: ``one-dead``, ``one-low``, ``neighbours-in-block``, ``neighbours-in-order``, ``one-bank``,
    ``every-other``, ``most-low``, ``several-low``.
    """
    down = [c for c in cylinders if c.state in ("low", "dead")]
    if not down:
        return None
    facts: dict[str, float | int | str | tuple[int, ...]] = {
        "positions": tuple(c.position for c in down),
        "cylinders": tuple(sorted(c.cylinder for c in down if c.cylinder is not None)),
        "lowest_percent": min(c.relative_percent for c in down),
        "not_first": SPARE_PARTS,
    }
    code, settle = _code(engine, cylinders, down)
    return Notice(code, {**facts, "settle": settle})


def _code(engine: Engine, cylinders: Sequence[Cylinder], down: Sequence[Cylinder]) -> tuple[str, str]:
    n = engine.cylinders
    if len(down) == 1:
        return ("one-dead", "leak-down") if down[0].state == "dead" else ("one-low", "gauge-then-leak-down")
    numbers = sorted(c.cylinder for c in down if c.cylinder is not None)
    if len(numbers) == len(down) and n >= 4:
        if _is_bank(numbers, engine):
            return "one-bank", "valve-timing-of-that-bank"
        if len(numbers) == 2 and numbers[1] - numbers[0] == 1:
            return "neighbours-in-block", "leak-down-listening-next-door"
    places = sorted(c.position - 1 for c in down)
    if 2 * len(down) == n and n >= 4 and len({p % 2 for p in places}) == 1:
        return "every-other", "valve-timing-of-that-bank"
    if 2 * len(down) > n:
        return "most-low", "gauge-on-all"
    if len(down) == 2 and n >= 4 and (places[1] - places[0]) % n in (1, n - 1):
        return "neighbours-in-order", "gauge-then-leak-down"
    return "several-low", "gauge-then-leak-down"


def _is_bank(numbers: Sequence[int], engine: Engine) -> bool:
    """Return whether the numbers are half of the engine in one of the two ways that banks are numbered.

    One bank after the other (1-3 and 4-6), or odd on one side and even on the other.
    """
    everyone = sorted(engine.firing_order)
    half = len(everyone) // 2
    if len(everyone) < 6 or len(numbers) != half:
        return False
    return list(numbers) in (everyone[:half], everyone[half:], everyone[::2], everyone[1::2])


def one_far_above(relative_percent: Sequence[float]) -> Notice | None:
    """Return the caution that one cylinder stands far above all others, None when none does.

    Cylinders lose compression and hardly ever gain it: liquid in the cylinder, or a number that is wrong.
    """
    values = np.asarray(relative_percent, dtype=float)
    if len(values) < MIN_FOR_HIGH:
        return None
    top = int(np.argmax(values))
    rest = np.delete(values, top)
    median = float(np.median(rest))
    if values[top] <= HIGH_RATIO * median or np.ptp(rest) > HIGH_SPREAD_PERCENT:
        return None
    return Notice("too-much-hump", {"position": top + 1, "percent_of_others": float(100 * values[top] / median)})
