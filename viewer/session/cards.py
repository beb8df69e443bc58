"""Rigs and engine cards on the command line: kept, listed, shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from crankfold.viewer.words import say, tell

if TYPE_CHECKING:
    from crankfold.acquire import EngineCard, Rig


def given(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the options that were given."""
    return {name: value for name, value in options.items() if value not in (None, (), {})}


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
