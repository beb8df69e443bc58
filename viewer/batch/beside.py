"""What is said of captures beside the command: in a file beside each, and in a list; by the names of the options."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from crankfold.acquire import parse_toml
from crankfold.analysis import InputError
from crankfold.viewer.batch.far import is_far
from crankfold.viewer.words import say

SIDECAR = ".toml"
MAX_SIDECAR_BYTES = 100_000  # a card has a few lines; anything longer is another kind of file
SHOWN = 60  # characters of what somebody wrote that a sentence about it repeats
LONGEST_REASON = 300  # characters of why a file cannot be read
LONGEST_VALUE = 1000  # characters; sentences repeat what an option says, and no engine needs so many
TEXTS = ("firing_order", "intervals", "engine_name", "engine", "rig", "clamp", "probe", "sync", "gauge", "fuel")
NUMBERS = ("low", "dead", "watch", "system_v")
OTHER_NAMES = {"volts": "system_v", "misfire_code": "misfire_codes"}
READING = ("columns", "rate")
ENGINE = ("firing_order", "engine", "intervals", "strokes", "fuel", "system_v")
ANEW = {"firing_order": ENGINE, "engine": ENGINE, "clamp": ("probe",), "probe": ("clamp",)}
"""Who says the one anew says the others anew."""


def overlaid(options: Mapping[str, Any], *more: Mapping[str, Any]) -> dict[str, Any]:
    """Return the options with what others say in place of the same."""
    merged = dict(options)
    for own in more:
        said = {name: value for name, value in own.items() if name in merged}
        for name in said:
            merged |= {other: None for other in ANEW.get(name, ()) if other in merged}
        merged |= said
    return merged


def read_sidecar(path: Path) -> dict[str, Any]:
    """Return what the file beside a capture says, nothing if there is none.

    Raises
    ------
    InputError
        It cannot be read, or says something that is no option.
    """
    if not path.is_file():
        return {}
    try:
        with path.open("rb") as file:
            content = file.read(MAX_SIDECAR_BYTES)
    except OSError as error:
        raise _unreadable(path, error) from error
    return options_in(content, str(path))


def options_in(content: bytes, where: str) -> dict[str, Any]:
    """Return what the content of a file beside a capture says; `where` is what the file is called.

    Raises
    ------
    InputError
        It cannot be read, or says something that is no option.
    """
    try:
        table = parse_toml(content)
    except (ValueError, RecursionError) as error:
        raise _unreadable(where, error) from error
    return checked(table, where)


def read_list(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the files of a list, whose names are relative to the list's folder, and what it says of each.

    Raises
    ------
    InputError
        It cannot be read, has no column ``file``, or a column that is no option.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file, strict=True)
            if "file" not in (reader.fieldnames or ()):
                raise InputError(say("batch.bad_list", where=f"{path}, line 1"))
            for number, row in enumerate(reader, 2):
                yield _of_row(row, path.parent, f"{path}, line {number}")
    except (OSError, ValueError, csv.Error) as error:
        if isinstance(error, InputError):
            raise
        raise _unreadable(path, error) from error


def _of_row(row: dict[str, Any], folder: Path, where: str) -> tuple[str, dict[str, Any]]:
    name = row.pop("file", None)
    if not name or None in row:
        raise InputError(say("batch.bad_list", where=where))
    if "\0" in name:  # no system has files of such names, and Python says so in an error of its own
        raise InputError(say("batch.bad_value", where=where, name="file", value=on_one_line(name)))
    whole = name if is_far(name) else str(folder / name)
    return whole, checked({k: v for k, v in row.items() if v}, where)


def _unreadable(path: Path | str, error: Exception) -> InputError:
    return InputError(say("batch.bad_sidecar", path=str(path), reason=on_one_line(str(error), LONGEST_REASON)))


def on_one_line(text: str, longest: int = SHOWN) -> str:
    """Return the beginning of a text for a sentence about it."""
    return " ".join(text.split())[:longest]


def checked(table: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return options by the name that the code gives them, as the command line would.

    Raises
    ------
    InputError
        A key is no option, or its value cannot be.
    """
    from crankfold.acquire import EngineCard

    card_only = {item.name for item in fields(EngineCard)} - {"firing_order", "intervals", "strokes"}
    found: dict[str, Any] = {}
    for key, value in table.items():
        name = key.strip().replace("-", "_")
        name = OTHER_NAMES.get(name, name)
        try:
            if isinstance(value, str) and len(value) > LONGEST_VALUE:
                raise ValueError("too long")
            if name in TEXTS or name in READING:
                found[name] = str(value).strip()
            elif name in NUMBERS:
                found[name] = float(value)
            elif name == "strokes":
                found[name] = int(value)
            elif name == "misfire_codes":
                found[name] = value.split() if isinstance(value, str) else [str(code) for code in value]
            elif name not in card_only:
                raise InputError(say("batch.bad_key", where=where, name=on_one_line(key)))
        except (TypeError, ValueError, OverflowError) as error:
            if isinstance(error, InputError):
                raise
            raise InputError(say("batch.bad_value", where=where, name=on_one_line(key),
                                 value=on_one_line(str(value)))) from error
    if "ignition" in table and not found.get("fuel"):
        found["fuel"] = EngineCard("1-2", ignition=str(table["ignition"])).kind_of_fuel
    return found
