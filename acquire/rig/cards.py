"""What a person sets up once and names: the rig (board, probe, wiring) and the engine card, each a small TOML file."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

from crankfold.analysis import Engine, InputError, SyncSpec, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from crankfold.analysis import Fuel

BELT = "belt"
USUAL_V = 12  # where the card does not say

BARE_CAM = re.compile(r"\s*cam(@[^\W\d_][\w .%/#-]*)?\s*", re.IGNORECASE)
ANY_CAM = "1@0"  # stands for an engine card's where only the rest of a text is looked at

C = TypeVar("C", "Rig", "EngineCard")


def with_cam(sync: str, cam: str) -> str:
    """Return sync sources in which a ``cam`` without cylinder and degrees has those of an engine card, if it has any.

    >>> with_cam("waste-spark:1, cam@cam sensor", "1@212")
    'waste-spark:1, cam:1@212@cam sensor'
    """
    if not cam:
        return sync
    return ",".join(BARE_CAM.sub(lambda found: f"{' ' * (found[0][:1] == ' ')}cam:{cam}{found[1] or ''}", part)
                    if BARE_CAM.fullmatch(part) else part for part in sync.split(","))


@dataclass(frozen=True)
class Rig:
    """A saved board, probe and wiring.

    Parameters
    ----------
    board
        ``NAME:ADDRESS``, by serial number where the board has one.
    settings
        Of the board's plugin, as texts.
    probe
        As `Probe.parse` takes it, empty: the board gives amperes, or nobody knows.
    sync
        What the sync channels mark, as `SyncSpec.parse_all` takes it; ``none`` without one. ``cam`` alone, or
        ``cam@CHANNEL``, takes cylinder and degrees from the engine card.
    channels
        Names of the columns in order, empty: as the board names them. ``unused`` leaves one out.
    reversed_channels
        Names of channels whose sign is to be turned.
    pre_trigger_s, max_crank_s
        Kept before the onset; longest cranking.
    notes
        Free text: what is wired where.
    units
        In which pressures are shown: ``bar``, ``psi``, ``kPa``, or empty for bar.
    scales
        For channels beside the current, by name: what makes volts or bar of them, as `ChannelScale.parse` takes it.
    """

    board: str
    settings: dict[str, str] = field(default_factory=dict)
    probe: str = ""
    sync: str = "none"
    channels: tuple[str, ...] = ()
    reversed_channels: tuple[str, ...] = ()
    pre_trigger_s: float = 1.5
    max_crank_s: float = 30.0
    notes: str = ""
    units: str = ""
    scales: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        from crankfold.acquire.rig.channel_scale import ChannelScale
        from crankfold.acquire.rig.probe import Probe

        if not self.board.partition(":")[0].strip():
            raise InputError("board names no plugin; write it like serial-lines:SERIALNUMBER")
        if self.probe:
            Probe.parse(self.probe)
        for text in self.scales.values():
            ChannelScale.parse(text)
        SyncSpec.read_all(with_cam(self.sync, ANY_CAM))
        _one_of("units", self.units, ("", "bar", "psi", "kPa"))
        _in_range("pre_trigger_s", self.pre_trigger_s, 0.1, 60.0)
        _in_range("max_crank_s", self.max_crank_s, 1.0, 120.0)
        used = [name for name in self.channels if name != "unused"]
        if len(set(used)) != len(used):
            raise InputError(f"channels {quoted(list(self.channels))} name one twice; give each column its own name")


@dataclass(frozen=True)
class EngineCard:
    """A saved engine.

    Parameters
    ----------
    firing_order, intervals
        As `Engine.parse` takes them, such as ``1-3-4-2`` and ``270-450``.
    strokes
        4 or 2.
    ignition
        ``waste-spark``, ``single-coil``, ``coil-on-plug``, ``none``, or empty when not known.
    fuel
        ``spark``, ``diesel``, or empty.
    system_v
        12 or 24, 0 when not known.
    starter
        ``permanent-magnet``, ``series``, ``belt`` (no starter whose current shows humps), or empty.
    decompressor
        Whether it has a valve or lever that takes the compression off.
    batteries
        In parallel.
    notes
        Free text.
    cam
        Where the cam sensor's edge rises: a cylinder and the crank degrees after its compression TDC, such as
        ``1@200``; empty when not known. A rig whose sync says only ``cam`` takes it from here.
    """

    firing_order: str
    intervals: str = ""
    strokes: int = 4
    ignition: str = ""
    fuel: str = ""
    system_v: int = 0
    starter: str = ""
    decompressor: bool = False
    batteries: int = 1
    notes: str = ""
    cam: str = ""

    def __post_init__(self) -> None:
        _one_of("ignition", self.ignition, ("", "waste-spark", "single-coil", "coil-on-plug", "none"))
        _one_of("fuel", self.fuel, ("", "spark", "diesel"))
        _one_of("starter", self.starter, ("", "permanent-magnet", "series", BELT))
        if self.system_v not in (0, 6, 12, 24):
            raise InputError(f"system_v is {self.system_v}; it is 12 or 24")
        _in_range("batteries", self.batteries, 1, 8)
        if self.cam:
            SyncSpec.parse(f"cam:{self.cam}", self.engine())
        self.engine()

    def engine(self, name: str = "") -> Engine:
        """Return the engine as the analysis needs to know it."""
        return replace(Engine.parse(self.firing_order, self.intervals or None, self.strokes, name),
                       fuel=self.kind_of_fuel, system_v=float(self.system_v or USUAL_V))

    @property
    def kind_of_fuel(self) -> Fuel:
        """``spark``, ``diesel``, or empty when neither fuel nor ignition says."""
        if self.fuel == "diesel" or (not self.fuel and self.ignition == "none"):
            return "diesel"
        return "spark" if self.fuel or self.ignition else ""


def changed(card: C, changes: Mapping[str, Any]) -> C:
    """Return a card with some of its values changed, checked again.

    Raises
    ------
    InputError
        A value cannot be.
    """
    return replace(card, **changes)


def _one_of(key: str, value: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise InputError(f"{key} is {quoted(value)}; it is one of {', '.join(k for k in known if k)}, or left out")


def _in_range(key: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise InputError(f"{key} is {value:g}; it is between {low:g} and {high:g}")
