"""How numbers are written for people: how many digits each unit deserves, and the decimal mark of the user's locale."""

from __future__ import annotations

import locale
import math
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache

# Digits after the decimal mark by the unit at the end of a fact's name: as many as a reader can act on.
_DIGITS = {"percent": 0, "rpm": 0, "a": 0, "s": 2, "v": 1, "bar": 1, "hz": 0, "deg": 0, "mohm": 0, "share": 2,
           "cycles": 1, "points": 1}
_SIGNIFICANT = 3
_SMALL_S = 0.1  # below this, seconds need a third digit
_LOW_HZ = 1000.0  # below this, hertz need one: 99.7 is too few where 100 are the least


_FIXED_MARK: ContextVar[str | None] = ContextVar("decimal mark", default=None)


@contextmanager
def decimal_points() -> Iterator[None]:
    """Write numbers with a decimal point whatever the locale, for what has to be the same on every machine."""
    before = _FIXED_MARK.set(".")
    try:
        yield
    finally:
        _FIXED_MARK.reset(before)


def decimal_mark() -> str:
    """Return the decimal mark: of the language that was asked for by name, else of the user's locale."""
    from crankfold.viewer.words.catalogue import chosen_language, say

    if chosen_language() is None:
        mark = _locale_mark()
        if mark:
            return mark
    return say("number.mark")


@cache
def _locale_mark() -> str:
    """Return the decimal mark of the user's locale, empty where the system does not know that locale."""
    before = locale.setlocale(locale.LC_NUMERIC)
    try:
        locale.setlocale(locale.LC_NUMERIC, "")
        return str(locale.localeconv()["decimal_point"])
    except locale.Error:
        return ""
    finally:
        locale.setlocale(locale.LC_NUMERIC, before)


PRESSURE_UNITS: Mapping[str, tuple[float, int]] = {"bar": (1.0, 1), "psi": (14.5037738, 0), "kPa": (100.0, 0),
                                                   "MPa": (0.1, 2)}
"""How many of the unit are one bar, and the digits after the mark that a gauge of it can be read to."""

_units = ["bar"]


def use_units(unit: str) -> None:
    """Write pressures in this unit, one of `PRESSURE_UNITS`, from now on.

    Raises
    ------
    ValueError
        It is none of them.
    """
    if unit not in PRESSURE_UNITS:
        raise ValueError(unit)
    _units[0] = unit


def pressure(bar: float) -> str:
    """Return a pressure with its unit, in the unit that people asked for.

    >>> pressure(12.07)
    '12.1 bar'
    """
    many, digits = PRESSURE_UNITS[_units[0]]
    return f"{plain(bar * many, digits)} {_units[0]}"


LETTER_COUNTRIES = {"US", "CA", "MX", "PH", "PR", "BZ", "CL", "CO", "VE", "GT", "CR", "PA", "SV", "NI"}
"""Where paper is cut to letter size, as the Unicode Consortium's CLDR lists it (from memory)."""


def usual_paper() -> str:
    """Return ``letter`` or ``a4``, by the country of the user's locale."""
    named = next((os.environ[n] for n in ("LC_ALL", "LC_PAPER", "LANG") if os.environ.get(n)), "")
    return "letter" if named.partition(".")[0].partition("_")[2] in LETTER_COUNTRIES else "a4"


def written(name: str, value: object) -> str:
    """Return a fact as people read it; the unit at the end of its name decides the digits.

    >>> written("mean_a", 163.4), written("cylinders", (2, 3)), written("events", 9)
    ('163', '2 and 3', '9')
    """
    if isinstance(value, bool) or value is None:
        return "" if value is None else str(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return pressure(value) if name.endswith("_bar") else plain(value, _digits(name, value))
    if isinstance(value, tuple | list):
        return listed([written(name, v) for v in value])
    return str(value)


def _digits(name: str, value: float) -> int | None:
    unit = name.rsplit("_", 1)[-1]
    digits = _DIGITS.get(unit)
    if unit == "hz" and abs(value) < _LOW_HZ:
        return 1
    return 3 if digits is not None and unit == "s" and 0.0 < abs(value) < _SMALL_S else digits


def plain(value: float, digits: int | None = None) -> str:
    """Return a number with at most so many digits after the mark, or with three that count if `digits` is None."""
    if not math.isfinite(value):
        return "?"
    if digits is None:
        size = math.floor(math.log10(abs(value))) if value else 0
        digits = max(0, _SIGNIFICANT - 1 - size)
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return ("0" if text in ("-0", "") else text).replace(".", _FIXED_MARK.get() or decimal_mark())


def listed(parts: list[str]) -> str:
    """Return ``a, b and c``."""
    from crankfold.viewer.words.catalogue import say

    if len(parts) < 2:
        return "".join(parts)
    return say("list.last", rest=", ".join(parts[:-1]), last=parts[-1])
