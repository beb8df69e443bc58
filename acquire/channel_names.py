"""What a column is by its heading or label, and what its channel is called: the same words for boards and files."""

from __future__ import annotations

import re
from dataclasses import dataclass

from crankfold.analysis import BATTERY, CURRENT, PRESSURE, SYNC

TIME, COUNTER, LEFT_OUT = "time", "counter", "-"

TIME_WORDS = frozenset({"time", "t", "timestamp", "clock", "elapsed", "seconds", "zeit", "temps", "tempo", "tiempo"})
COUNTER_WORDS = frozenset({"sample", "samples", "index", "idx", "n", "no", "nr", "number", "row", "counter", "seq",
                           "sequence"})
CURRENT_WORDS = frozenset({"current", "clamp", "amp", "amps", "ampere", "amperes", "starter", "shunt", "cranking", "i"})
BATTERY_WORDS = frozenset({"battery", "batt", "vbat", "supply"})
PRESSURE_WORDS = frozenset({"pressure", "cylinder", "cyl"})
SYNC_WORDS = frozenset({"sync", "spark", "ignition", "cam", "trigger", "trig", "mark", "coil", "plug", "tdc", "phase",
                        "reference", "ref"}) | PRESSURE_WORDS
OTHER_WORDS = BATTERY_WORDS | {"temp", "temperature", "rpm", "speed", "status", "flag", "note", "comment", "date",
                               "gap", "overload"}

VOLTS = frozenset({"V", "mV", "kV", "uV"})
AMPERES = frozenset({"A", "mA", "kA", "uA"})
PRESSURES = frozenset({"bar", "mbar", "Pa", "kPa", "MPa", "psi"})

_NAME = re.compile(r"[^\W_][\w .%/#-]{0,39}")


@dataclass(frozen=True)
class ColumnSeen:
    """One column as it came while the source was opened.

    Parameters
    ----------
    number
        From 1.
    label
        What the line or heading calls it, empty where it does not.
    least, most
        Of the values heard.
    unit
        As written, empty where none is.
    seems
        ``current``, ``sync``, ``battery``, ``pressure``, ``time``, ``counter``, ``constant`` or ``signal``.
    name
        The channel it becomes, ``-`` where it becomes none.
    """

    number: int
    label: str
    least: float
    most: float
    unit: str
    seems: str
    name: str


def words_of(label: str) -> frozenset[str]:
    """Return the words of a label, in lower case.

    >>> sorted(words_of("clampCurrent (A)"))
    ['a', 'clamp', 'current']
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", label)
    return frozenset(re.findall(r"[^\W\d_]+", spaced.lower())) | ({"#"} if "#" in label else frozenset())


def role_of(label: str, unit: str = "") -> str:
    """Return what a column is by its label and unit, empty when they do not say.

    One of ``time``, ``counter``, ``current``, ``sync``, ``battery``, ``pressure``, and ``other`` for what is known to
    be none of them.
    """
    words = words_of(label)
    if words & TIME_WORDS:
        return TIME
    if words & (COUNTER_WORDS | {"#"}):
        return COUNTER
    if words & BATTERY_WORDS and unit not in AMPERES:
        return BATTERY
    if words & CURRENT_WORDS or unit in AMPERES:
        return CURRENT
    if words & PRESSURE_WORDS or unit in PRESSURES:
        return PRESSURE
    if words & SYNC_WORDS:
        return SYNC
    return "other" if words & OTHER_WORDS else ""


def free_name(wanted: str, number: int, taken: frozenset[str]) -> str:
    """Return a channel name near to `wanted` that is not taken; by the column's number where that cannot be.

    >>> free_name("Oil temp", 4, frozenset({"current"})), free_name("", 4, frozenset())
    ('oil temp', 'column 4')
    """
    tidy = " ".join(re.sub(r"[^\w .%/#-]", " ", wanted).split()).lower()
    name = tidy if _NAME.fullmatch(tidy) else f"column {number}"
    return name if name not in taken else f"{name} {number}"


__all__ = ["BATTERY", "COUNTER", "COUNTER_WORDS", "CURRENT", "CURRENT_WORDS", "LEFT_OUT", "OTHER_WORDS", "PRESSURE",
           "SYNC", "SYNC_WORDS", "TIME", "TIME_WORDS", "ColumnSeen", "free_name", "role_of", "words_of"]
