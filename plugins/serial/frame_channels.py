"""Which inputs of a board that sends frames become which channels, by number or by name."""

from __future__ import annotations

import re
from dataclasses import dataclass

from crankfold.acquire import CURRENT, LEFT_OUT, SYNC, SettingError
from crankfold.analysis import shortened

_NAME = re.compile(r"-|[^\W\d_][\w .%/#-]{0,39}")

USUAL = (CURRENT, SYNC)


@dataclass(frozen=True)
class NamedInput:
    """An input of the board, by its number from 0, and what its channel is called."""

    number: int
    name: str


def named_inputs(text: str, count: int) -> tuple[NamedInput, ...]:
    """Return the inputs to hand on, the current first and the sync mark second.

    Parameters
    ----------
    text
        Names of the inputs in their order, ``-`` for one to leave out, ``current`` once among them; or the number of
        the current's input and, after a comma, that of the sync mark, from 1. Empty for the first two inputs.
    count
        How many inputs the board has.

    Raises
    ------
    SettingError
        They do not fit the board.

    >>> [(each.number, each.name) for each in named_inputs("sync,current,battery,-", 4)]
    [(1, 'current'), (0, 'sync'), (2, 'battery')]
    >>> [(each.number, each.name) for each in named_inputs("3,1", 4)]
    [(2, 'current'), (0, 'sync')]
    """
    parts = [" ".join(part.lower().split()) for part in text.split(",")]
    if not text.strip():
        found = [NamedInput(number, name) for number, name in enumerate(USUAL[:count])]
    elif all(part.isascii() and part.isdigit() for part in parts):
        found = [NamedInput(int(part[:9]) - 1, name) for part, name in zip(parts, USUAL, strict=False)]
        found = found if len(parts) <= len(USUAL) else []
    elif all(_NAME.fullmatch(part) for part in parts):
        found = [NamedInput(number, name) for number, name in enumerate(parts) if name != LEFT_OUT]
    else:
        found = []
    numbers, names = {each.number for each in found}, {each.name for each in found}
    fits = numbers <= set(range(count)) and len(numbers) == len(names) == len(found)
    if CURRENT not in names or not fits:
        raise SettingError(f"channels={shortened(text)} cannot be used with a board of {count} channels",
                           "name its channels in order, current among them and - for one to leave out, or give the "
                           "number of the current's channel and, after a comma, that of the sync mark")
    return tuple(sorted(found, key=lambda each: (each.name != CURRENT, each.name != SYNC, each.number)))
