"""What an analysis says: verdict, cylinders, reasons and cautions, as plain frozen data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from crankfold.analysis.engine import Engine, SyncSpec
    from crankfold.analysis.posterior import Estimate
    from crankfold.analysis.signal import CrankingTrace

Verdict = Literal["even", "uneven", "limit", "none"]
State = Literal["good", "watch", "limit", "low", "dead"]
ReasonCode = Literal["no-cranking", "too-short", "engine-fired", "clipped", "hump-count", "no-humps", "rate-too-low",
                     "gap", "one-cylinder", "not-explained", "ac-probe"]


@dataclass(frozen=True)
class Notice:
    """A reason or a caution: a code, and the numbers its sentence needs (the unit is in each name)."""

    code: str
    facts: Mapping[str, float | int | str | tuple[int, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Cylinder:
    """One cylinder's answer.

    Parameters
    ----------
    position
        1-based place in the firing order.
    cylinder
        Its number, None where it cannot be named.
    relative_percent, interval_percent
        Peak gauge compression pressure as percent of the strongest, and its 95 % interval.
    state
        good, watch, limit (its range lies across the limit), low or dead.
    low_probability, dead_probability
        That it is below the limit for low; that it does not compress.
    pressure_bar, pressure_interval_bar
        Estimated peak gauge pressure when a gauge reading or a pressure channel anchors it, else None.
    """

    position: int
    cylinder: int | None
    relative_percent: float
    interval_percent: tuple[float, float]
    state: State
    pressure_bar: float | None = None
    pressure_interval_bar: tuple[float, float] | None = None
    low_probability: float = 0.0
    dead_probability: float = 0.0


@dataclass(frozen=True)
class SyncFound:
    """What the sync channel told: its kind, the cylinder it names, how many marks, and how sure (0 to 1)."""

    kind: str
    cylinder: int
    events: int
    confidence: float


@dataclass(frozen=True)
class SyncSource:
    """One of several sync sources: what it was told to mark, what was seen, and whether it agrees with the surest.

    `agrees` is None for a source that could not name a cylinder, or where none could.
    """

    kind: str
    cylinder: int
    channel: str
    events: int
    confidence: float
    agrees: bool | None


@dataclass(frozen=True)
class Cranking:
    """The cranking itself; ampere fields are None when the scale is unknown.

    Parameters
    ----------
    onset_s, end_s
        Of the cranking, seconds from the start of the capture.
    cycles, rpm
        Engine cycles and mean crank speed of what was judged; 0 where nothing was.
    run_up_s, run_up_level
        How long after the onset current and speed had settled, and the mean current until then over the later one;
        None where the onset is not in the capture or nothing settled.
    judged_from_s, judged_to_s
        The stretch that was judged, or would have been, seconds from the start of the capture.
    """

    onset_s: float
    end_s: float
    cycles: float
    rpm: float
    inrush_a: float | None
    mean_a: float | None
    sample_rate_hz: float
    run_up_s: float | None = None
    run_up_level: float | None = None
    judged_from_s: float | None = None
    judged_to_s: float | None = None


@dataclass(frozen=True)
class Health:
    """Starter and battery, as far as the same capture shows them; None where it does not.

    Parameters
    ----------
    sag_percent
        Fall of the stall current through the steady cranking, percent.
    stall_current_a
        What the starter would draw if held.
    resistance_ohm
        Battery, cable and starter together, at the voltage in `voltage_v`: assumed, or measured at the battery.
    rest_v, cranking_v, lowest_v
        The battery's voltage before the crank, on average while cranking, and at its lowest, where it was measured in
        place of a current or beside it.
    battery_ohm, starter_ohm, cable_ohm
        The battery's own; the starter's at its in-rush, an upper limit, with its cables where `cable_ohm` is None; the
        cables', where the voltage at the starter was measured too.
    """

    sag_percent: float | None = None
    stall_current_a: float | None = None
    resistance_ohm: float | None = None
    voltage_v: float | None = None
    rest_v: float | None = None
    cranking_v: float | None = None
    lowest_v: float | None = None
    battery_ohm: float | None = None
    starter_ohm: float | None = None
    cable_ohm: float | None = None


@dataclass(frozen=True)
class Result:
    """The answer to one capture.

    ``verdict`` is ``"limit"`` where no cylinder is surely low and at least one may be. It is ``"none"`` exactly when
    `reasons` is not empty; `cylinders` is then empty. `reasons`, `cautions`, `notes` and `pattern` carry codes and
    facts (see `notice_codes`); `notes` is what is worth saying without being a caution. `estimate` is the accepted one,
    turned so that index 0 is position 1. `sync_sources` holds every source where several were given, `sync_asked` the
    one that names.
    `trace`, `estimate` and `sync_pulses_s` (when each sync pulse came that was looked at, seconds from the start of the
    capture) are kept for pictures and are not part of the JSON.
    """

    verdict: Verdict
    engine: Engine
    reasons: tuple[Notice, ...] = ()
    cylinders: tuple[Cylinder, ...] = ()
    sync_asked: SyncSpec | None = None
    sync: SyncFound | None = None
    sync_sources: tuple[SyncSource, ...] = ()
    cranking: Cranking | None = None
    cautions: tuple[Notice, ...] = ()
    notes: tuple[Notice, ...] = ()
    pattern: Notice | None = None
    health: Health | None = None
    sync_pulses_s: tuple[float, ...] = field(default=(), compare=False, repr=False)
    trace: CrankingTrace | None = field(default=None, compare=False, repr=False)
    estimate: Estimate | None = field(default=None, compare=False, repr=False)

    @property
    def low_positions(self) -> tuple[int, ...]:
        """1-based positions whose state is low or dead."""
        return tuple(c.position for c in self.cylinders if c.state in ("low", "dead"))

    @property
    def low(self) -> tuple[int, ...]:
        """Numbers of the named cylinders whose state is low or dead, sorted."""
        down = (c.cylinder for c in self.cylinders if c.state in ("low", "dead"))
        return tuple(sorted(number for number in down if number is not None))
