"""A TOML table against what its keys may hold: every mistake named by file, key and what is expected."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crankfold.acquire.errors import FileFormatError
from crankfold.analysis import quoted

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping
    from pathlib import Path


MOST_DOTS = 500
"""In one line. The time to read a key grows with the square of its dots; no key of ours has more than two."""

MOST_DIGITS = 400
"""Of a number. Python reads hexadecimal ones of any length, and then refuses to print them."""


def parse_toml(content: bytes) -> dict[str, Any]:
    """Return what the bytes of a TOML file say.

    Raises
    ------
    UnicodeDecodeError
        They are not UTF-8.
    ValueError, RecursionError
        They are not TOML, or something that only somebody who means harm would write.
    """
    text = content.decode("utf-8-sig")
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > MOST_DOTS:
            raise ValueError(f"line {number} has more than {MOST_DOTS} dots")
        if re.search(rf"[0-9A-Fa-f_]{{{MOST_DIGITS}}}", line):
            raise ValueError(f"line {number} has a number of {MOST_DIGITS} digits or more")
    return tomllib.loads(text)


@dataclass(frozen=True)
class Kind:
    """What a value may be: how a person calls it, an example, and a test that returns it converted or raises."""

    called: str
    example: str
    convert: Callable[[Any], Any]


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


def _truth(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError
    return value


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or abs(value) > 2**53:
        raise TypeError
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError
    return float(value)


def _texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise TypeError
    return tuple(_text(item) for item in value)


def _settings(value: Any) -> dict[str, str]:
    """Return a table of texts; numbers and truth values are taken as they would be written."""
    if not isinstance(value, dict):
        raise TypeError
    plain = {True: "true", False: "false"}
    for item in value.values():
        if not isinstance(item, str | int | float):
            raise TypeError
    return {key: plain[item] if isinstance(item, bool) else str(item) for key, item in value.items()}


KINDS = {
    "str": Kind("a text", '"..."', _text),
    "bool": Kind("true or false", "true", _truth),
    "int": Kind("a whole number", "4", _whole),
    "float": Kind("a number", "1.5", _number),
    "tuple": Kind("a list of texts", '["current", "sync"]', _texts),
    "dict": Kind("a table of texts", '{ baud = "250000" }', _settings),
}


def kind_of(annotation: Any) -> str:
    """Return the key of `KINDS` for a dataclass field's annotation."""
    return str(annotation).partition("[")[0]


def checked(path: Path, table: Mapping[str, Any], kinds: Mapping[str, Kind],
            required: Collection[str]) -> dict[str, Any]:
    """Return the table's values, each of the right kind.

    Raises
    ------
    FileFormatError
        A key is unknown or missing, or its value of the wrong kind.
    """
    for key in table:
        if key not in kinds:
            near = difflib.get_close_matches(key, kinds, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"it may hold {', '.join(kinds)}"
            raise FileFormatError(path, f"the key {key[:60]!r} is unknown", hint)
    missing = [key for key in required if key not in table]
    if missing:
        raise FileFormatError(path, f"the key {missing[0]!r} is missing",
                              f"add a line like {missing[0]} = {kinds[missing[0]].example}")
    return {key: _converted(path, key, value, kinds[key]) for key, value in table.items()}


def _converted(path: Path, key: str, value: Any, kind: Kind) -> Any:
    try:
        return kind.convert(value)
    except (TypeError, OverflowError) as error:
        raise FileFormatError(path, f"the key {key!r} holds {quoted(value)}, expected is {kind.called}",
                              f"write it like {key} = {kind.example}") from error
