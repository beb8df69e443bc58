"""What engine it is: cylinders in firing order, the angles between them, strokes, and what the sync channel marks."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from numbers import Real
from typing import Literal

import numpy as np

from crankfold.analysis.errors import InputError, quoted, shortened

MAX_CYLINDERS = 16
CYCLE_TOLERANCE_DEG = 0.5  # intervals given in whole degrees may miss the cycle by rounding

SyncKind = Literal["waste-spark", "single-spark", "cam", "pressure", "plug-out"]
Fuel = Literal["", "spark", "diesel"]
FUELS: tuple[Fuel, ...] = ("", "spark", "diesel")
SYSTEM_V = (6.0, 12.0, 24.0)
SYNC_KINDS: tuple[SyncKind, ...] = ("waste-spark", "single-spark", "cam", "pressure", "plug-out")


_SYNC = re.compile(r"([a-z-]+):(\d{1,4})(?:@([-+]?\d{1,4}(?:\.\d{1,9})?))?(?:@([^\W\d_][\w .%/#-]{0,39}))?")
SYNC = "sync"  # the usual channel
MIN_SAMPLES_PER_HUMP = 12.0  # fewer blur a hump's crest into its neighbours
USUAL_RPM = 200.0  # cranking speed taken where none could be read


@dataclass(frozen=True)
class Engine:
    """The engine as the analysis needs to know it.

    Parameters
    ----------
    firing_order
        Cylinder numbers in the order they compress, for example ``(1, 3, 4, 2)``. Position 1 is the first of them.
    intervals_deg
        Crank degrees from each cylinder in the order to the next, the last one back to the first. A shorter list
        repeats; empty means even.
    strokes
        4 or 2.
    name
        For people.
    fuel
        ``spark`` or ``diesel``, empty when not known: decides what there is to look at next, never the numbers.
    system_v
        Nominal volts of the electrics.

    Raises
    ------
    InputError
        A cylinder is named twice, the intervals do not fit the order or the cycle, or fuel or volts cannot be.
    """

    firing_order: tuple[int, ...]
    intervals_deg: tuple[float, ...] = ()
    strokes: int = 4
    name: str = ""
    fuel: Fuel = ""
    system_v: float = 12.0

    def __post_init__(self) -> None:
        order = _whole_numbers(self.firing_order)
        if not 1 <= len(order) <= MAX_CYLINDERS:
            raise InputError(f"a firing order of {len(order)} cylinders: give 1 to {MAX_CYLINDERS}, such as 1-3-4-2")
        if min(order) < 1:
            raise InputError(f"firing order {_dashed(order)}: cylinders are numbered from 1")
        twice = sorted({c for c in order if order.count(c) > 1})
        if twice:
            raise InputError(f"firing order {_dashed(order)} names cylinder {twice[0]} twice; name each cylinder once")
        _check_numbering(order)
        if self.strokes not in (2, 4):
            raise InputError(f"strokes {self.strokes}: an engine has 2 or 4")
        if self.fuel not in FUELS:
            raise InputError(f"fuel {quoted(self.fuel)}: it is spark or diesel")
        if self.system_v not in SYSTEM_V:
            raise InputError(f"volts {self.system_v:g}: it is 12 or 24")
        n, cycle = len(order), self.cycle_deg
        given = _degrees(self.intervals_deg)
        if given:
            if n % len(given):
                raise InputError(f"{len(given)} intervals do not repeat evenly over {n} cylinders; "
                                 "give one a cylinder, or a pattern that repeats")
            given = given * (n // len(given))
            if min(given) <= 0 or abs(sum(given) - cycle) > CYCLE_TOLERANCE_DEG:
                raise InputError(f"intervals {_dashed(given)} add up to {sum(given):g} degrees; "
                                 f"a {self.strokes}-stroke cycle has {cycle:g}")
        else:
            given = (cycle / n,) * n
        object.__setattr__(self, "firing_order", order)
        object.__setattr__(self, "intervals_deg", given)

    @classmethod
    def parse(cls, firing_order: str, intervals: str | None = None, strokes: int = 4, name: str = "") -> Engine:
        """Return the engine of a text such as ``"1-3-4-2"`` and intervals such as ``"270-450"``.

        Raises
        ------
        InputError
            The text is not numbers with dashes, commas or spaces between, or the numbers do not fit.

        >>> Engine.parse("1-4-2-3", "90-270").firing_deg.tolist()
        [0.0, 90.0, 360.0, 450.0]
        """
        order = _numbers(firing_order, "firing order", "1-3-4-2")
        if any(x != int(x) for x in order):
            raise InputError(f"firing order {quoted(firing_order)}: cylinders are whole numbers, such as 1-3-4-2")
        degrees = _numbers(intervals, "intervals", "270-450") if intervals else ()
        return cls(tuple(int(x) for x in order), degrees, strokes, name)

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return len(self.firing_order)

    @property
    def cycle_deg(self) -> float:
        """Crank degrees of one engine cycle: 720 for four strokes, 360 for two."""
        return 180.0 * self.strokes

    @property
    def firing_deg(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Crank angle of each position's compression TDC, shape (cylinders,), degrees; position 1 at 0."""
        return np.concatenate(([0.0], np.cumsum(self.intervals_deg)[:-1]))

    @property
    def pattern_length(self) -> int:
        """Number of firings after which the intervals repeat: 1 for even firing, 2 for 90/150."""
        n = self.cylinders
        for k in range(1, n + 1):
            if n % k == 0 and np.allclose(self.intervals_deg, self.intervals_deg[:k] * (n // k)):
                return k
        return n

    @property
    def even_firing(self) -> bool:
        """Whether all firing intervals are equal."""
        return self.pattern_length == 1

    def position_of(self, cylinder: int) -> int:
        """Return the 0-based place of a cylinder number in the firing order.

        Raises
        ------
        InputError
            The engine has no such cylinder.
        """
        if cylinder not in self.firing_order:
            raise InputError(f"the engine has no cylinder {cylinder}; its firing order is {_dashed(self.firing_order)}")
        return self.firing_order.index(cylinder)

    def companion_of(self, cylinder: int) -> int | None:
        """Return the cylinder whose TDC lies 360 degrees away, sharing a waste spark, or None if there is none."""
        if self.strokes == 2:
            return None
        at = self.firing_deg
        wanted = (at[self.position_of(cylinder)] + 360.0) % 720.0
        close = np.abs((at - wanted + 360.0) % 720.0 - 360.0) <= CYCLE_TOLERANCE_DEG
        return int(self.firing_order[int(np.flatnonzero(close)[0])]) if close.any() else None


@dataclass(frozen=True)
class SyncSpec:
    """What a channel marks.

    Parameters
    ----------
    kind
        ``waste-spark``, ``single-spark``, ``cam``, ``pressure``, or ``plug-out`` (no channel: the named cylinder's
        plug is out, so the dead one in the current is that one).
    cylinder
        The cylinder it marks.
    edge_deg
        For ``cam``: crank degrees from that cylinder's compression TDC to the rising edge.
    channel
        Name of the channel; ``sync`` unless given.
    """

    kind: SyncKind
    cylinder: int
    edge_deg: float = 0.0
    channel: str = SYNC

    @classmethod
    def parse(cls, text: str | None, engine: Engine) -> SyncSpec | None:
        """Return the spec of ``none`` or ``KIND:CYL``, such as ``waste-spark:1``, ``cam:1@200``, ``plug-out:1``.

        ``@CHANNEL`` at the end names the channel: ``pressure:3@pressure``, ``cam:1@200@cam sensor``.

        Raises
        ------
        InputError
            The text is not of that form, or names a cylinder the engine lacks.

        >>> SyncSpec.parse("cam:1@200", Engine((1, 3, 4, 2)))
        SyncSpec(kind='cam', cylinder=1, edge_deg=200.0, channel='sync')
        >>> str(SyncSpec.parse("pressure:3@pressure", Engine((1, 3, 4, 2))))
        'pressure:3@pressure'
        """
        if text is None or text.strip().lower() in ("", "none"):
            return None
        spec = cls.read(text)
        engine.position_of(spec.cylinder)
        return spec

    @classmethod
    def read(cls, text: str) -> SyncSpec:
        """Return the spec of one ``KIND:CYL``, whatever the engine.

        Raises
        ------
        InputError
            The text is not of that form.
        """
        match = _SYNC.fullmatch(text.strip().lower())
        kind = next((k for k in SYNC_KINDS if match and k == match[1]), None)
        if match is not None and kind == "cam" and match[3] is None:
            raise InputError(f"sync {quoted(text)} lacks the crank degrees from that cylinder's compression TDC to the "
                             f"rising edge; write them after @, like cam:{match[2]}@200")
        if match is None or kind is None or (match[3] is not None and kind != "cam"):
            raise InputError(f"sync {quoted(text)} is not one of none, waste-spark:CYL, single-spark:CYL, cam:CYL@DEG, "
                             "pressure:CYL, plug-out:CYL, with @CHANNEL after it where it is not the channel sync")
        return cls(kind, int(match[2]), float(match[3] or 0.0), match[4] or SYNC)

    @classmethod
    def read_all(cls, text: str) -> tuple[SyncSpec, ...]:
        """Return the specs of a text with commas between, whatever the engine; empty for ``none``.

        Raises
        ------
        InputError
            As `read`.
        """
        parts = [part for part in text.split(",") if part.strip().lower() not in ("", "none")]
        return tuple(cls.read(part) for part in parts)

    @classmethod
    def parse_all(cls, text: str | None, engine: Engine) -> tuple[SyncSpec, ...]:
        """Return the specs of a text with commas between, as of several ``--sync``; empty for ``none``.

        Raises
        ------
        InputError
            As `parse`; or a source is given twice.
        """
        specs = tuple(spec for part in (text or "").split(",") if (spec := cls.parse(part, engine)) is not None)
        places = [(spec.channel, spec.kind == "plug-out") for spec in specs]
        if len(set(places)) < len(places):
            raise InputError(f"sync {quoted(text or '')} gives one channel two meanings; name another channel after @")
        return specs

    def __str__(self) -> str:
        edge = f"@{self.edge_deg:g}" if self.kind == "cam" else ""
        channel = f"@{self.channel}" if self.channel != SYNC else ""
        return f"{self.kind}:{self.cylinder}{edge}{channel}"


def _whole_numbers(order: object) -> tuple[int, ...]:
    """Return cylinder numbers as integers."""
    if isinstance(order, str) or not isinstance(order, Iterable):
        raise InputError(f"firing order {quoted(order)}: give numbers, such as (1, 3, 4, 2); Engine.parse takes a text")
    given = tuple(order)
    for number in given:
        if isinstance(number, bool) or not isinstance(number, Real) or not float(number).is_integer():
            raise InputError(f"firing order {quoted(given)}: {quoted(number)} isn't a cylinder; "
                             "cylinders are whole numbers")
    return tuple(int(number) for number in given)


def _check_numbering(order: tuple[int, ...]) -> None:
    """Complain about cylinders whose numbers have holes: one is forgotten, or there are no dashes between them."""
    count, highest = len(order), max(order)
    if highest <= count:
        return
    if count == 1:
        number = shortened(str(order[0]))
        hint = f"; write it like {'-'.join(number)}" if order[0] > MAX_CYLINDERS else ""
        raise InputError(f"firing order {number} is one cylinder with the number {number}{hint or '; call it 1'}")
    missing = min(set(range(1, count + 1)) - set(order))
    raise InputError(f"firing order {_dashed(order)} has a cylinder {highest:g} and no cylinder {missing}; name all "
                     "cylinders, numbered from 1 on")


def _degrees(intervals: object) -> tuple[float, ...]:
    if isinstance(intervals, str) or not isinstance(intervals, Iterable):
        raise InputError(f"intervals {quoted(intervals)}: give degrees, such as (180, 180); Engine.parse takes a text")
    given = tuple(intervals)
    if not all(isinstance(x, Real) and np.isfinite(float(x)) for x in given):
        raise InputError(f"intervals {quoted(given)}: they are numbers, in degrees")
    return tuple(float(x) for x in given)


def _dashed(numbers: tuple[float, ...]) -> str:
    return "-".join(f"{x:g}" for x in numbers)


def _numbers(text: str, what: str, example: str) -> tuple[float, ...]:
    parts = [p for p in re.split(r"[-,;/\s]+", text.strip()) if p]
    try:
        numbers = tuple(float(p) for p in parts)
    except ValueError as error:
        raise InputError(f"{what} {quoted(text)} is not numbers; write it like {example}") from error
    if not numbers or not all(np.isfinite(numbers)):
        raise InputError(f"{what} {quoted(text)} has no usable numbers; write it like {example}")
    return numbers


def least_rate_hz(engine: Engine, rpm: float = USUAL_RPM) -> float:
    """Return the samples a second that show each hump of an engine: the one limit of drivers, checks and analysis.

    >>> least_rate_hz(Engine((1, 3, 4, 2)))
    80.0
    """
    return MIN_SAMPLES_PER_HUMP * engine.cylinders * (6.0 * rpm) / engine.cycle_deg  # 6 degrees a second to 1 rpm
