"""Setting up, step by step: what is asked, what may be chosen, what is wrong with it, and the two cards it becomes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum
from typing import TYPE_CHECKING

from crankfold.acquire import EngineCard, Rig, Shelf, check_name
from crankfold.analysis import CrankfoldError, InputError, SyncSpec
from crankfold.viewer.words import say, worded

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

ORDERS = {"three": "1-2-3", "four": "1-3-4-2", "four_other": "1-2-4-3", "six": "1-5-3-6-2-4", "two": "1-2"}
"""Firing orders in common use, by the wording's key."""
PROBES = {"clamp": "10mV/A", "shunt": "500A/60mV", "cable": "25mm2:0.5m@20C", "battery": "battery", "amperes": ""}
SYNCS = ("none", "waste-spark", "single-spark", "cam", "pressure", "plug-out")


class Step(Enum):
    """One page of the setting up."""

    ENGINE = "engine"
    BOARD = "board"
    PROBE = "probe"
    SYNC = "sync"
    NAMES = "names"


STEPS = tuple(Step)
FIELDS: Mapping[Step, tuple[str, ...]] = {
    Step.ENGINE: ("firing_order", "intervals", "strokes", "fuel"),
    Step.BOARD: ("board",),
    Step.PROBE: ("probe",),
    Step.SYNC: ("cylinder", "degrees"),
    Step.NAMES: ("rig_name", "engine_name"),
}


@dataclass(frozen=True)
class Choice:
    """Something to choose on a page: what it is called, which drawing shows it, and what it fills in."""

    label: str
    drawing: str
    values: Mapping[str, str]


@dataclass(frozen=True)
class Draft:
    """Everything said so far, as texts.

    Parameters
    ----------
    values
        By field name.
    """

    values: Mapping[str, str] = field(default_factory=lambda: {
        "firing_order": "1-3-4-2", "intervals": "", "strokes": "4", "fuel": "spark", "board": "", "probe": "10mV/A",
        "sync": "none", "cylinder": "1", "degrees": "", "more_sync": "", "cam": "",
        "rig_name": "bench", "engine_name": "engine"})

    def with_(self, changes: Mapping[str, str]) -> Draft:
        """Return the draft with some values changed."""
        return replace(self, values={**self.values, **changes})

    def __getitem__(self, name: str) -> str:
        return self.values[name].strip()

    @property
    def sync(self) -> str:
        """What the sync channels mark, as the analysis reads it; those beside the first are a saved rig's."""
        kind, more = self["sync"], self["more_sync"]
        if kind == "none":
            return more or kind
        first = f"{kind}:{self['cylinder']}" + (f"@{self['degrees']}" if kind == "cam" and self["degrees"] else "")
        return f"{first}, {more}" if more else first

    def engine_card(self) -> EngineCard:
        """Return the engine card.

        Raises
        ------
        InputError
            Something in it cannot be.
        """
        strokes = self["strokes"]
        if strokes not in ("2", "4"):
            raise InputError(say("window.set_up.strokes_wrong", text=strokes))
        cam = f"{self['cylinder']}@{self['degrees']}" if self["sync"] == "cam" and self["degrees"] else self["cam"]
        return EngineCard(self["firing_order"], self["intervals"], int(strokes), fuel=self["fuel"], cam=cam)

    def rig(self) -> Rig:
        """Return the rig.

        Raises
        ------
        InputError
            Something in it cannot be.
        """
        return Rig(self["board"], probe=self["probe"], sync=self.sync)


def problem(draft: Draft, step: Step) -> str:
    """Return what is wrong on a page, empty when nothing is."""
    try:
        if step is Step.ENGINE:
            draft.engine_card()
        elif step is Step.BOARD and not draft["board"]:
            return say("window.set_up.no_board")
        elif step in (Step.BOARD, Step.PROBE):
            draft.rig()
        elif step is Step.SYNC:
            if draft["sync"] == "cam" and not draft["degrees"]:
                return say("window.set_up.no_degrees")
            SyncSpec.parse_all(draft.sync, draft.engine_card().engine())
        else:
            check_name(draft["rig_name"])
            check_name(draft["engine_name"])
    except InputError as error:
        text = worded(error)
        return f"{text[:1].upper()}{text[1:].rstrip('.')}."
    return ""


def save(draft: Draft, shelf: Shelf) -> None:
    """Keep the draft as a rig and an engine card.

    Raises
    ------
    InputError, SaveError
        A name cannot be a file's, or it cannot be written.
    """
    rig, engine = draft.rig(), draft.engine_card()
    old_rig, old_engine = _kept(shelf, draft["rig_name"]), _kept_engine(shelf, draft["engine_name"])
    if old_rig is not None and old_rig.board == rig.board:  # what is not asked here stays: settings, wiring, notes
        rig = replace(old_rig, probe=rig.probe, sync=rig.sync)
    if old_engine is not None and old_engine.firing_order == engine.firing_order:
        engine = replace(old_engine, intervals=engine.intervals, strokes=engine.strokes, fuel=engine.fuel,
                         cam=engine.cam or old_engine.cam)
    shelf.save(draft["engine_name"], engine)
    shelf.save(draft["rig_name"], rig)


def _kept(shelf: Shelf, name: str) -> Rig | None:
    try:
        return shelf.rig(name) if name in shelf.rigs() else None
    except CrankfoldError:
        return None


def _kept_engine(shelf: Shelf, name: str) -> EngineCard | None:
    try:
        return shelf.engine(name) if name in shelf.engines() else None
    except CrankfoldError:
        return None


def choices(step: Step, draft: Draft, shelf: Shelf, boards: Sequence[tuple[str, str]]) -> tuple[Choice, ...]:
    """Return what may be chosen on a page.

    Parameters
    ----------
    boards
        Address and title of the boards that were found.
    """
    if step is Step.ENGINE:
        ready = (Choice(say(f"window.set_up.engine_{key}", order=order), "engine",
                        {"firing_order": order, "intervals": "", "strokes": "4"}) for key, order in ORDERS.items())
        return (*_saved_engines(shelf), *ready)
    if step is Step.BOARD:
        found = (Choice(say("window.set_up.board_found", title=title, address=address), "board", {"board": address})
                 for address, title in boards)
        return (*_saved_rigs(shelf), *found)
    if step is Step.PROBE:
        return tuple(Choice(say(f"window.set_up.probe_{key}"), f"probe-{key}", {"probe": text})
                     for key, text in PROBES.items())
    if step is Step.SYNC:
        return tuple(Choice(say(f"window.set_up.sync_{key}"), f"sync-{key}",
                            {"sync": key, **(known_cam(draft) if key == "cam" else {})}) for key in SYNCS)
    return tuple(Choice(line, "board", {}) for line in summary(draft, shelf))


def known_cam(draft: Draft) -> dict[str, str]:
    """Return cylinder and degrees of the engine card's cam sensor, nothing where it has none."""
    cylinder, _, degrees = draft["cam"].partition("@")
    return {"cylinder": cylinder, "degrees": degrees} if degrees and not draft["degrees"] else {}


def _saved_engines(shelf: Shelf) -> list[Choice]:
    found = []
    for name in shelf.engines():
        try:
            card = shelf.engine(name)
        except CrankfoldError:  # a card that was spoilt by hand is no choice; `crankfold engine` says why
            continue
        found.append(Choice(say("window.set_up.engine_saved", name=name, order=card.firing_order), "engine", {
            "firing_order": card.firing_order, "intervals": card.intervals, "strokes": str(card.strokes),
            "fuel": card.fuel or "spark", "cam": card.cam, "engine_name": name}))
    return found


def _saved_rigs(shelf: Shelf) -> list[Choice]:
    found = []
    for name in shelf.rigs():
        try:
            rig = shelf.rig(name)
        except CrankfoldError:  # as with engine cards
            continue
        first, _, more = rig.sync.partition(",")
        if first.count("@") > (1 if first.startswith("cam:") else 0):  # on a channel that the page does not ask for
            first, more = "none", rig.sync
        kind, _, mark = first.partition(":")
        cylinder, _, degrees = mark.partition("@")
        found.append(Choice(say("window.set_up.rig_saved", name=name, board=rig.board), "board", {
            "board": rig.board, "probe": rig.probe, "sync": kind, "cylinder": cylinder or "1", "degrees": degrees,
            "more_sync": more.strip(), "rig_name": name}))
    return found


def summary(draft: Draft, shelf: Shelf) -> tuple[str, ...]:
    """Return what was set up, a line each, and what will be replaced by it."""
    replaced = [name for name, there in ((draft["rig_name"], shelf.rigs()), (draft["engine_name"], shelf.engines()))
                if name in there]
    return (say("window.summary.engine", order=draft["firing_order"], strokes=draft["strokes"], fuel=draft["fuel"]),
            say("window.summary.board", board=draft["board"]),
            say("window.summary.probe", probe=draft["probe"] or say("window.summary.amperes")),
            say("window.summary.sync", sync=draft.sync),
            *(say("window.summary.replaced", name=name) for name in replaced))


def advice_on(step: Step, choice: Choice | None) -> str:
    """Return what to mind on a page, for the choice that stands there."""
    particular = step in (Step.PROBE, Step.SYNC) and choice is not None
    return say(f"window.advise.{choice.drawing if particular and choice is not None else step.value}")


def fields_of(step: Step, draft: Draft) -> tuple[str, ...]:
    """Return the fields to fill in on a page, as far as the choice needs them."""
    if step is not Step.SYNC:
        return FIELDS[step]
    kind = draft["sync"]
    return () if kind == "none" else FIELDS[step] if kind == "cam" else FIELDS[step][:1]


def alternatives(name: str, draft: Draft) -> tuple[str, ...]:
    """Return the possible values of a field that has few, empty for one that is typed."""
    if name == "cylinder":
        return tuple(part for part in draft["firing_order"].split("-") if part.isdigit())
    return {"strokes": ("4", "2"), "fuel": ("spark", "diesel")}.get(name, ())


def chosen(draft: Draft, offered: Sequence[Choice]) -> int:
    """Return which choice the draft already says, 0 where none."""
    for k, choice in enumerate(offered):
        if choice.values and all(draft.values.get(name, "").strip() == text for name, text in choice.values.items()
                                 if not name.endswith("_name")):
            return k
    return 0
