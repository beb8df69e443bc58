"""Rigs, calibrations and engine cards made by asking, one plain question after the other, until it is answered."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import click

from crankfold.acquire import EngineCard, Rig, calibrated, lasting_address, level_of, observe, wired
from crankfold.analysis import CrankfoldError, InputError
from crankfold.viewer.session.question import settings_of
from crankfold.viewer.words import say, tell, worded, working

if TYPE_CHECKING:
    from crankfold.acquire import Level, Plugins, Probe, Source

T = TypeVar("T")
READ_S = 2.0


def can_ask() -> bool:
    """Return whether somebody sits at a keyboard."""
    return sys.stdin.isatty()


def ask_engine() -> EngineCard:
    """Return an engine card as somebody at the keyboard describes it."""
    order = _ask("ask.firing_order", lambda text: EngineCard(text).firing_order)
    strokes = _ask("ask.strokes", lambda text: EngineCard(order, strokes=_whole(text or "4")).strokes)
    intervals = _ask("ask.intervals", lambda text: EngineCard(order, text, strokes).intervals)
    ignition = _ask("ask.ignition", lambda text: EngineCard(order, ignition=text).ignition)
    fuel = _ask("ask.fuel", lambda text: EngineCard(order, fuel=text).fuel)
    volts = _ask("ask.system_v", lambda text: EngineCard(order, system_v=_whole(text or "0")).system_v)
    return EngineCard(order, intervals, strokes, ignition, fuel, volts, notes=_ask("ask.notes", str))


def ask_rig(plugins: Plugins) -> Rig:
    """Return a rig as somebody at the keyboard describes it."""
    listed = _list_boards(plugins)
    board = _ask("ask.board", lambda text: _board(text, listed, plugins))
    declaration = plugins.boards[board.partition(":")[0]].declaration
    settings: dict[str, str] = {}
    if declaration.settings:
        for setting in declaration.settings:
            tell(say("ask.setting", name=setting.name, meaning=worded(setting.meaning), example=setting.example),
                 indent=1)
        settings = _ask("ask.settings", lambda text: _settings(text, [s.name for s in declaration.settings]))
    probe = _ask("ask.probe", lambda text: Rig(board, probe=text).probe)
    sync = _ask("ask.sync", lambda text: text or "none")
    return Rig(board, settings, probe, sync, notes=_ask("ask.notes", str))


def _ask(key: str, understood: Callable[[str], T]) -> T:
    """Return the answer as `understood` takes it, asked again until it does."""
    while True:
        text = str(click.prompt(say(key), default="", show_default=False, type=str)).strip()
        try:
            return understood(text)
        except CrankfoldError as error:
            tell(worded(error))


def _whole(text: str) -> int:
    if not text.isdigit():
        raise InputError(say("ask.not_whole", text=text))
    return int(text)


def _list_boards(plugins: Plugins) -> list[str]:
    """Print the boards that are plugged in, numbered, and return what opens each."""
    from crankfold.acquire import discover_boards
    with working(say("progress.looking")):
        kinds = list(discover_boards(plugins))
    found = [(f"{kind.name}:{board.address}", board) for kind in kinds for board in kind.boards]
    for number, (address, board) in enumerate(found, start=1):
        tell(say("ask.found", number=number, address=address, title=worded(board.title)), indent=1)
        if board.problem:
            tell(say("boards.problem", problem=worded(board.problem), fix=worded(board.fix)), indent=2)
    return [address for address, _ in found]


def _board(text: str, listed: list[str], plugins: Plugins) -> str:
    if text.isdigit() and 1 <= int(text) <= len(listed):
        return listed[int(text) - 1]
    if text.partition(":")[0].strip() not in plugins.boards:
        raise InputError(say("ask.no_such_board", text=text, names=tuple(sorted(plugins.boards))))
    return lasting_address(text, plugins)


def _settings(text: str, known: list[str]) -> dict[str, str]:
    settings = settings_of(text.split())
    unknown = next((name for name in settings if name not in known), None)
    if unknown is not None:
        raise InputError(say("ask.no_such_setting", name=unknown, names=tuple(known)))
    return settings


def calibrate(opened: Callable[[], Source], rig: Rig, currents: tuple[float, float], seconds: float = READ_S) -> Probe:
    """Return the probe found by asking for two known currents one after the other.

    Raises
    ------
    InputError, AcquireError
        No scale can be read from them, or the board breaks.
    """
    tell(say("calibrate.how"))
    first, second = (_level(opened, rig, amperes, seconds) for amperes in currents)
    probe = calibrated(first, second)
    scale = probe.per_ampere or 0.0
    if probe.in_counts:
        tell(say("calibrate.counts", counts_share=abs(scale)))
    else:
        tell(say("calibrate.volts", millivolts_points=1000.0 * abs(scale)))
    if scale < 0:
        tell(say("calibrate.reversed"))
    return probe


def _level(opened: Callable[[], Source], rig: Rig, amperes: float, seconds: float) -> Level:
    click.prompt(say("calibrate.ask", current_a=amperes), default="", show_default=False, prompt_suffix=" ")
    with opened() as source, working(say("progress.listening")):
        observed = observe(source, seconds)
    level = level_of(wired(observed.capture, replace(rig, probe="")), amperes)
    tell(say("calibrate.read", current_a=amperes, value=f"{level.value:.4g}", unit=level.unit))
    return level
