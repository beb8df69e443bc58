"""The arithmetic of a fleet's picture: how the verdicts fall, how weak the weakest cylinders are, who is worst."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

BIN_PERCENT = 5.0
BINS = 21  # up to 105 %; the weakest cylinder of a capture cannot be far above the strongest
WORST_SHOWN = 9


@dataclass(frozen=True)
class Tally:
    """How many captures were found even, uneven, without a verdict, could not be read, and lie at the limit."""

    even: int
    uneven: int
    none: int
    unread: int
    limit: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.even + self.uneven + self.limit + self.none + self.unread


@dataclass(frozen=True)
class Worst:
    """One of the weakest captures: its file, the weakest cylinder's percent and interval, and the headline."""

    file: str
    percent: float
    low_percent: float
    high_percent: float
    headline: str


@dataclass(frozen=True)
class FleetData:
    """What the picture shows.

    Parameters
    ----------
    tally
        The verdicts.
    reasons
        The deciding reasons for no verdict with how often each came, the most frequent first.
    bins
        Captures by the relative compression of their weakest cylinder, `BIN_PERCENT` wide, from 0 up.
    worst
        The weakest, weakest first.
    """

    tally: Tally
    reasons: tuple[tuple[str, int], ...]
    bins: tuple[int, ...]
    worst: tuple[Worst, ...]


def tally(rows: Sequence[Mapping[str, Any]]) -> Tally:
    """Return how many rows of each verdict there are."""
    count = Counter("unread" if row.get("problem") else str(row.get("verdict")) for row in rows)
    return Tally(count["even"], count["uneven"], count["none"], count["unread"], count["limit"])


def fleet_of(rows: Sequence[Mapping[str, Any]]) -> FleetData:
    """Return the data of the picture from the rows of a batch's table."""
    reasons = Counter(str(row["reasons"]).split()[0] for row in rows if row.get("reasons"))
    judged = [row for row in rows if row.get("weakest_percent") is not None]
    bins = [0] * BINS
    for row in judged:
        bins[min(BINS - 1, int(row["weakest_percent"] / BIN_PERCENT))] += 1
    weakest = sorted(judged, key=lambda row: (row["weakest_percent"], str(row["file"])))[:WORST_SHOWN]
    return FleetData(tally(rows), tuple(sorted(reasons.items(), key=lambda pair: (-pair[1], pair[0]))), tuple(bins),
                     tuple(map(_worst, weakest)))


def _worst(row: Mapping[str, Any]) -> Worst:
    percent = float(row["weakest_percent"])
    at = next((k for k in range(1, 100) if row.get(f"position_{k}_relative_percent") == percent), 1)
    low, high = (float(row.get(f"position_{at}_{end}_end_percent") or percent) for end in ("low", "high"))
    return Worst(str(row["file"]), percent, low, high, str(row.get("headline") or ""))
