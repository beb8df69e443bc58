"""Rigs and engine cards on the command line: kept, listed, shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeVar

from crankfold.acquire import Shelf
from crankfold.analysis import InputError
from crankfold.viewer.session.prompts import can_ask
from crankfold.viewer.words import say, tell

if TYPE_CHECKING:
    from crankfold.acquire import EngineCard, Rig


C = TypeVar("C", "Rig", "EngineCard")
TOML = ".toml"


def given(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the options that were given."""
    return {name: value for name, value in options.items() if value not in (None, (), {})}


def keep_or_show(name: str | None, values: Mapping[str, Any], kind: type[C], make: Callable[[C | None], C],
                 then: str) -> None:
    """Do what a command for rigs or engine cards does: list them, show one, or keep one that is new or changed.

    Parameters
    ----------
    name
        None lists what there is.
    values
        What was said of it; nothing shows one that is kept, and asks about one that is not.
    kind, make
        What it is, and what makes it, from the one of before where it is changed.
    then
        Key of the sentence on what can be done with it.

    Raises
    ------
    InputError
        Something is said and no name, or the name is unknown.
    """
    shelf = Shelf()
    names = shelf.names(kind)
    if name is None:
        if values:
            raise InputError(say("problem.no_name"))
        list_names(names)
        return
    if not values and (name in names or name.endswith(TOML) or not can_ask()):
        show(shelf.load(name, kind), str(shelf.file(name, kind)))
        return
    before = shelf.load(name, kind) if values and name in names else None
    card = make(before)
    if before is not None:
        tell_changes(before, card)
    show(card, str(shelf.save(name, card)))
    tell(say(then, name=name))


def list_names(names: tuple[str, ...]) -> None:
    """Print the names of what is kept."""
    for name in names:
        tell(name)
    if not names:
        tell(say("card.none"))


def show(card: Rig | EngineCard, path: str) -> None:
    """Print what is on a card, and where it is kept."""
    for name, value in asdict(card).items():
        if value in ("", (), {}, None, 0):
            continue
        tell(say("card.line", name=name, value=_plain(value)))
    tell(say("card.place", path=path))


def tell_changes(before: Rig | EngineCard, after: Rig | EngineCard) -> None:
    """Print what is no longer as it was, so that a card is not written over without a word."""
    was, now = asdict(before), asdict(after)
    for name in was:
        if was[name] != now[name]:
            tell(say("card.changed", name=name, before=_plain(was[name]) or "-", value=_plain(now[name]) or "-"))


def _plain(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{name}={text}" for name, text in value.items())
    return ", ".join(map(str, value)) if isinstance(value, tuple | list) else str(value)
