"""The arithmetic of a fleet's picture: how the verdicts fall, how weak the weakest cylinders are, who is worst."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

BIN_PERCENT = 5.0
BINS = 21  # up to 105 %; the weakest cylinder of a capture cannot be far above the strongest
WORST_SHOWN = 9
UNREAD_SHOWN = 5
"""Problems that are said one by one; the rest stands in the table."""

R = TypeVar("R", bound=Mapping[str, Any])


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


class FleetCount:
    """Counts rows of a batch's table as they pass; memory holds a few of them."""

    def __init__(self) -> None:
        self._verdicts, self._reasons, self._bins = Counter[str](), Counter[str](), [0] * BINS
        self._weakest: list[Mapping[str, Any]] = []
        self.unread: list[Mapping[str, Any]] = []
        """The first that could not be read, in the order of their names."""

    def add(self, row: Mapping[str, Any]) -> None:
        """Count a row."""
        self._verdicts["unread" if row.get("problem") else str(row.get("verdict"))] += 1
        if row.get("problem"):
            self.unread = sorted([*self.unread, row], key=lambda row: str(row["file"]))[:UNREAD_SHOWN]
        if row.get("reasons"):
            self._reasons[str(row["reasons"]).split()[0]] += 1
        if row.get("weakest_percent") is not None:
            self._bins[min(BINS - 1, int(row["weakest_percent"] / BIN_PERCENT))] += 1
            self._weakest = sorted([*self._weakest, row],
                                   key=lambda row: (row["weakest_percent"], str(row["file"])))[:WORST_SHOWN]

    def counted(self, rows: Iterable[R]) -> Iterator[R]:
        """Yield rows on, each counted."""
        for row in rows:
            self.add(row)
            yield row

    @property
    def tally(self) -> Tally:
        """How many rows of each verdict there were."""
        count = self._verdicts
        return Tally(count["even"], count["uneven"], count["none"], count["unread"], count["limit"])

    def data(self) -> FleetData:
        """Return the data of the picture."""
        reasons = tuple(sorted(self._reasons.items(), key=lambda pair: (-pair[1], pair[0])))
        return FleetData(self.tally, reasons, tuple(self._bins), tuple(map(_worst, self._weakest)))


def _worst(row: Mapping[str, Any]) -> Worst:
    percent = float(row["weakest_percent"])
    at = next((k for k in range(1, 100) if row.get(f"position_{k}_relative_percent") == percent), 1)
    low, high = (float(row.get(f"position_{at}_{end}_end_percent") or percent) for end in ("low", "high"))
    return Worst(str(row["file"]), percent, low, high, str(row.get("headline") or ""))
