"""What there is in a capture that holds no cranking."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Mapping

STAYED_S = 1.0  # a load that is on for so long was meant
LEAST_LOAD_A = 12.0  # a radio and dash lights stay below
HUM_SHARE = 0.5  # of the peak: hum is all there is
SMALL_A = 30.0  # mean current that lamps, windows, pumps and all of a fuse box stay below and no starter does
PEAKED = 2.0  # times the mean: an in-rush; glow plugs and heaters hardly have one


def no_cranking(facts: Mapping[str, float], unit: str) -> Notice:
    """Return the reason that nothing in the capture is a cranking, and what there is instead, if that can be told."""
    mean, peak = facts.get("load_mean", 0.0), facts.get("load_peak", 0.0)
    stayed, amperes = facts.get("longest_s", 0.0) >= STAYED_S, unit == "A"
    told: dict[str, float | str] = {**facts, "unit": unit}
    if amperes and stayed and LEAST_LOAD_A <= mean < SMALL_A:
        return Notice("no-cranking", {"why": "small-load", **told})
    if amperes and stayed and mean >= SMALL_A and peak < PEAKED * mean:
        return Notice("no-cranking", {"why": "steady-load", **told})
    if not stayed and facts.get("hum", 0.0) > HUM_SHARE * facts.get("peak", 0.0):
        return Notice("no-cranking", {"why": "hum", **told})
    return Notice("no-cranking", told)
