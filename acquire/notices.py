"""What sources survive, as codes and numbers, also as JSON data; words are made where people read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crankfold.analysis import Notice

if TYPE_CHECKING:
    from collections.abc import Iterable

SAID = "source"  # the notice of a plugin that has a sentence only
SURVIVED: dict[str, tuple[str, ...]] = {
    SAID: ("text",),
    "compressed-cut": ("file",),
    "character-cut": ("file",),
    "line-cut": ("line",),
    "damaged-lines": ("count", "line"),
    "empty-cells": ("count",),
    "values-held": ("count",),
    "overloads": ("count",),
    "column-left-out": ("column",), "current-rivals": ("columns",),
    "time-jumps": ("count",),
    "time-holes": ("count",),
    "uneven-time": ("rate_hz",),
    "time-against-rate": ("rate_hz", "said_hz"),
    "time-unit": ("unit", "rate_hz"),
    "other-times": ("channel", "fastest"),
    "lines-left-out": ("count",),
    "lines-lost": ("count",),
    "columns-unsaid": ("columns",),
    "numbers-guessed": ("why",),
    "checksum-unknown": (),
    "rate-against-setting": ("said_hz", "rate_hz"),
    "frames-left-out": ("count",),
    "board-restarted": ("count",),
    "inputs-unused": ("inputs", "used"),
    "rate-not-met": ("asked_hz", "rate_hz", "highest_hz"),
    "network-late": ("count",),
    "board-stalled": ("count",),
    "packets-left-out": ("count",),
    "short-sequence": ("wrap_s",),
}
"""Every code that the readers and boards here give, with its facts. `why` of numbers-guessed: ``decimal-commas``,
``leading-zeros``, ``two-numbers``."""


def plain_notices(notices: Iterable[Notice]) -> list[dict[str, Any]]:
    """Return notices as JSON data."""
    return [{"code": notice.code, **notice.facts} for notice in notices]


def notices_of(data: Any) -> tuple[Notice, ...]:
    """Return the notices of JSON data, as `plain_notices` makes them.

    Raises
    ------
    ValueError
        They are none.
    """
    if not isinstance(data, list | tuple) or not all(isinstance(item, dict) for item in data):
        raise ValueError("its notices are no list of tables")
    return tuple(Notice(str(item["code"]), {
        str(name): tuple(fact) if isinstance(fact, list) else fact
        for name, fact in item.items() if name != "code" and _fits(fact)}) for item in data)


def _fits(fact: Any) -> bool:
    return isinstance(fact, str | int | float) or (
        isinstance(fact, list) and all(isinstance(number, int) for number in fact))
