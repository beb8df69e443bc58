"""How many humps an engine cycle has, asked of the trace alone, to set against the engine card.

Each number of evenly firing cylinders has its best cycle rate: cycles that repeat, with their power on the firing line.
Where another number scores far better than the card's, the card is of another engine. An even engine looks the same
whatever its card says, and its verdict is the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.analysis.engine import Engine
from crankfold.analysis.estimate import find_rates

if TYPE_CHECKING:
    from crankfold.analysis.trace import CrankingTrace

COUNTS = (2, 3, 4, 5, 6, 8, 10, 12)
USUAL_RPM = (80.0, 330.0)  # a count is only believed at a speed that starters reach
CLEAR_EVEN = 0.2  # score by which another count is better; with the right card of an even engine at most 0.18 was seen
CLEAR_ODD = 0.35  # uneven firing looks like other counts by itself: at most 0.26
ALIKE = 0.03  # scores nearer than this are alike
DOUBTFUL = 0.5  # of that, where the fit has failed already


@dataclass(frozen=True)
class Better:
    """Another number of humps a cycle, the speed it means, and by how much of the needed score it is better."""

    humps: int
    rpm: float
    share: float

    @property
    def clear(self) -> bool:
        """Whether that alone is reason enough."""
        return self.share >= 1.0

    @property
    def likely(self) -> bool:
        """Whether it is the likely reason that nothing else fits."""
        return self.share >= DOUBTFUL


def better_count(trace: CrankingTrace, engine: Engine) -> Better | None:
    """Return the number of humps that fits the trace best if it fits better than the card's, else None."""
    own = find_rates(trace, engine)
    score = own[0].score if own else 0.0
    needed = CLEAR_EVEN if engine.even_firing else CLEAR_ODD
    found = []
    for humps in COUNTS:
        rates = find_rates(trace, Engine(tuple(range(1, humps + 1)), strokes=engine.strokes))
        if humps == engine.cylinders or not rates:
            continue
        rpm = float(rates[0].rate_hz * engine.cycle_deg / 6.0)
        if USUAL_RPM[0] <= rpm <= USUAL_RPM[1]:
            found.append(Better(humps, rpm, float(rates[0].score - score) / needed))
    highest = max((b.share for b in found), default=0.0)
    # two cycles repeat as well as one, so the fewest humps that do nearly as well
    return next((b for b in found if b.share > 0.0 and b.share >= highest - ALIKE / needed), None)
