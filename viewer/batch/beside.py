"""What is said of captures beside the command: in a file beside each, and in a list; by the names of the options."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from crankfold.acquire import parse_toml
from crankfold.analysis import InputError
from crankfold.viewer.words import say

SIDECAR = ".toml"
MAX_SIDECAR_BYTES = 100_000  # a card has a few lines; anything longer is another kind of file
SHOWN = 60  # characters of what somebody wrote that a sentence about it repeats
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
        table = parse_toml(content)
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(say("batch.bad_sidecar", path=str(path), reason=" ".join(str(error).split()))) from error
    return checked(table, str(path))


def read_list(path: Path) -> dict[Path, dict[str, Any]]:
    """Return what a list says of each of its files, whose names are relative to the list's folder.

    Raises
    ------
    InputError
        It cannot be read, has no column ``file``, or a column that is no option.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file, strict=True)
            names, rows = reader.fieldnames or (), list(reader)
    except (OSError, ValueError, csv.Error) as error:
        raise InputError(say("batch.bad_sidecar", path=str(path), reason=" ".join(str(error).split()))) from error
    if not rows and "file" not in names:
        raise InputError(say("batch.bad_list", where=f"{path}, line 1"))
    found: dict[Path, dict[str, Any]] = {}
    for number, row in enumerate(rows, 2):
        where = f"{path}, line {number}"
        name = row.pop("file", None)
        if not name or None in row:
            raise InputError(say("batch.bad_list", where=where))
        if "\0" in name:  # no system has files of such names, and Python says so in an error of its own
            raise InputError(say("batch.bad_value", where=where, name="file", value=on_one_line(name)))
        found[path.parent / name] = checked({k: v for k, v in row.items() if v}, where)
    return found


def on_one_line(text: str, longest: int = SHOWN) -> str:
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
