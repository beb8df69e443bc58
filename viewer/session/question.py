"""What is asked of a capture: the engine, the probe, the sync mark and the limits, from the options of a command."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from crankfold.acquire import BELT, EngineCard, Probe, Rig, Shelf, with_cam
from crankfold.analysis import Engine, Gauge, InputError, SyncSpec, Thresholds, coded_cylinder, shortened
from crankfold.viewer.words import say


@dataclass(frozen=True)
class Question:
    """Everything `analyse` needs beside the capture, and the probe that makes amperes of it.

    `also` are further sync sources beside `sync`, which is the first.
    """

    engine: Engine
    sync: SyncSpec | None
    probe: Probe | None
    thresholds: Thresholds
    gauge: Gauge | None
    misfire_codes: tuple[str, ...]
    rig: Rig | None = None
    rig_name: str = ""
    card: EngineCard | None = None
    units: str = "bar"
    also: tuple[SyncSpec, ...] = ()

    @property
    def syncs(self) -> tuple[SyncSpec, ...]:
        """All sync sources."""
        return (*(() if self.sync is None else (self.sync,)), *self.also)

    @property
    def sync_text(self) -> str:
        """All sync sources as `SyncSpec.parse_all` takes them, ``none`` without one."""
        return ", ".join(map(str, self.syncs)) or "none"


LOW_PERCENT, DEAD_PERCENT = 75.0, 15.0  # of the strongest, unless given: a gauge's limit, and our own for "none"
WATCH_ABOVE_LOW = 10.0  # points above the limit for low that are still to be watched, unless given


def question_of(options: Mapping[str, Any]) -> Question:
    """Return the question that the options ask.

    Raises
    ------
    InputError
        An option is missing, cannot be understood, or does not fit the engine.
    """
    card = _card(options)
    engine = _engine(options, card)
    rig = rig_of(options)
    sync = options["sync"] if options["sync"] is not None or rig is None else rig.sync
    syncs = SyncSpec.parse_all(_with_cam(sync, card), engine)
    low = LOW_PERCENT if options["low"] is None else options["low"]
    dead = DEAD_PERCENT if options["dead"] is None else options["dead"]
    watch = options["watch"]
    if watch is None:
        watch = min(100.0, max(low, low + WATCH_ABOVE_LOW))
    gauge = _gauge(options["gauge"], engine)
    units = options.get("units") or (rig.units if rig is not None else "") or ("bar" if gauge is None else gauge.unit)
    return Question(
        units=units, engine=engine, sync=syncs[0] if syncs else None, also=syncs[1:], probe=_probe(options), rig=rig,
        thresholds=Thresholds(low_percent=low, dead_percent=dead, watch_percent=watch),
        gauge=gauge, misfire_codes=_codes(options["misfire_codes"], engine),
        rig_name=options.get("rig_name") or _stem(options.get("rig")), card=card)


def carried(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return options with the rig and the engine card themselves in place of their names, for another computer.

    Raises
    ------
    InputError
        There is none of that name, or its file has a mistake.
    """
    whole = dict(options)
    if whole.get("rig"):
        whole |= {"rig": rig_of(options), "rig_name": whole.get("rig_name") or _stem(whole["rig"])}
    if whole.get("engine"):
        whole |= {"engine": _card(options), "engine_name": whole["engine_name"] or _stem(whole["engine"])}
    return whole


def _with_cam(sync: str | None, card: EngineCard | None) -> str | None:
    """Return sync sources in which a ``cam`` without degrees has those of the card."""
    known = "" if card is None else card.cam
    if sync and not known and with_cam(sync, "1@0") != sync:
        raise InputError(say("problem.no_cam_angle"))
    return with_cam(sync, known) if sync else sync


def _stem(named: object) -> str:
    return Path(named).stem if isinstance(named, str) else ""


def _card(options: Mapping[str, Any]) -> EngineCard | None:
    """Return the card that the options name, None if they name none."""
    named = options.get("engine")
    card = named if isinstance(named, EngineCard) else Shelf().engine(named) if named else None
    if card is not None and card.starter == BELT:
        raise InputError(say("problem.belt_starter"))
    return card


def _engine(options: Mapping[str, Any], card: EngineCard | None) -> Engine:
    """Return the engine: from its card where one is named, what the options say going before it."""
    order, intervals, strokes = options["firing_order"], options["intervals"], options["strokes"]
    name, fuel, system_v = options["engine_name"], options.get("fuel"), options.get("system_v")
    if card is not None:
        intervals = intervals or (card.intervals if not order else None)
        order, strokes = order or card.firing_order, strokes or card.strokes
        name, fuel, system_v = name or _stem(options["engine"]), fuel or card.kind_of_fuel, system_v or card.system_v
    if not order:
        raise InputError(say("problem.no_firing_order"))
    engine = Engine.parse(order, intervals or None, 4 if strokes is None else strokes, name)
    return replace(engine, fuel=fuel or "", system_v=float(system_v or engine.system_v))


def rig_of(options: Mapping[str, Any]) -> Rig | None:
    """Return the rig that the options name, None if they name none.

    Raises
    ------
    InputError
        There is none of that name, or its file has a mistake.
    """
    named = options.get("rig")
    return named if isinstance(named, Rig) else Shelf().rig(named) if named else None


def _probe(options: Mapping[str, Any]) -> Probe | None:
    if options["clamp"] and options["probe"]:
        raise InputError(say("problem.clamp_and_probe"))
    text = options["clamp"] or options["probe"]
    return Probe.parse(text) if text else None


def _gauge(text: str | None, engine: Engine) -> Gauge | None:
    return Gauge.parse(text, engine) if text else None


def _codes(codes: Sequence[str], engine: Engine) -> tuple[str, ...]:
    for code in codes:
        cylinder = coded_cylinder(code)
        if cylinder is not None:
            engine.position_of(cylinder)
    return tuple(codes)


def settings_of(pairs: Sequence[str]) -> dict[str, str]:
    """Return the settings of ``NAME=VALUE`` texts.

    Raises
    ------
    InputError
        A text has no equals sign, or a name comes twice.
    """
    settings: dict[str, str] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals or not name.strip():
            raise InputError(say("problem.setting_form", text=shortened(pair)))
        if name.strip() in settings:
            raise InputError(say("problem.setting_twice", name=name.strip()))
        settings[name.strip()] = value.strip()
    return settings
