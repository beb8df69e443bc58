"""What one field of a table can be: number, overload mark, nothing, clock time, date, grouped digits or text."""

from __future__ import annotations

import csv
import math
import re
from enum import Enum

UNSIGNED_OVERLOAD = 1e308
"""Stands for an overload mark without sign until its neighbours tell the side; no measurement comes near it."""


class Kind(Enum):
    """Kinds of field."""

    NUMBER = "number"
    MISSING = "missing"
    OVERLOAD = "overload"
    CLOCK = "clock"
    DATE = "date"
    GROUPED = "grouped"
    TEXT = "text"


_NUMBER = {mark: re.compile(rf"[+-]?(?:\d+(?:{re.escape(mark)}\d*)?|{re.escape(mark)}\d+)(?:[eE][+-]?\d+)?\Z")
           for mark in ".,"}
_GROUPED = re.compile(r"""[+-]?(?: [1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)? | [1-9]\d{0,2}(?:\.\d{3})+(?:,\d+)?
                      | [1-9]\d{0,2}(?:[ '’\u00a0\u202f]\d{3})+(?:[.,]\d+)? )\Z""", re.VERBOSE)
_CERTAINLY_GROUPED = re.compile(
    r"[+-]?(?:\d{1,3}(?:,\d{3})+\.\d+|\d{1,3}(?:\.\d{3})+,\d+|\d{1,3}(?:,\d{3}){2,}|\d{1,3}(?:\.\d{3}){2,}"
    r"|[1-9]\d{0,2}(?:['’\u00a0\u202f ]\d{3})+(?:[.,]\d+)?)\Z")
OVERLOAD = (r"(?:1\.\#?)?[+-]?\#?inf(?:inity)?|∞|ol|o\.l\.?|0l|ovl|ovr|ovld|over(?:load|flow|range|ranged)?|ofl|ov"
            r"|sat(?:urated)?|clip(?:ped)?|out[ ]of[ ]range|-{2,}|\*{2,}|>{2,}|<{2,}|\#{2,}")
_OVERLOAD = re.compile(rf"(?P<sign>[+-]?)\s*(?P<mark>{OVERLOAD})\Z", re.IGNORECASE)
_MISSING = re.compile(r"(?:|[+-]?(?:1\.\#)?[qs]?nan(?:\(.*\))?|n/?a|n\.a\.|null|none|-|\?|missing|1\.\#ind)\Z",
                      re.IGNORECASE)
DATE = r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4})"
CLOCK = (rf"(?:(?P<date>{DATE})[T ]\s*)?(?:(?P<hours>\d{{1,3}}):)?(?P<minutes>\d{{1,2}}):(?P<seconds>\d{{2}})"
         r"(?P<fraction>[.,]\d*)?(?P<zone>Z|[+-]\d\d:?\d\d)?")
_CLOCK = re.compile(CLOCK + r"\Z")
_DATE = re.compile(DATE + r"\Z")


def tidy(field: str) -> str:
    """Return the field without blanks around it and with a plain minus sign."""
    return field.strip().strip("\u00a0").replace("\u2212", "-")


def kind_of(field: str, decimal: str) -> Kind:
    """Return what `field` is when `decimal` is the decimal mark."""
    field = tidy(field)
    if _NUMBER[decimal].match(field):
        return Kind.NUMBER
    if _MISSING.match(field):
        return Kind.MISSING
    if _OVERLOAD.match(field):
        return Kind.OVERLOAD
    if _CLOCK.match(field):
        return Kind.CLOCK
    if _GROUPED.match(field):
        return Kind.GROUPED
    return Kind.DATE if _DATE.match(field) else Kind.TEXT


def is_certainly_grouped(field: str) -> bool:
    """Return whether the digits are grouped by thousands beyond doubt (``1,234.5``, ``1.234.567``, ``1'234``)."""
    return _CERTAINLY_GROUPED.match(tidy(field)) is not None


def value_of(field: str, decimal: str) -> float | None:
    """Return the number in `field`; NaN for a missing one, infinities for overload marks, None for anything else."""
    field = tidy(field)
    kind = kind_of(field, decimal)
    if kind is Kind.NUMBER:
        return float(field.replace(decimal, "."))
    if kind is Kind.MISSING:
        return math.nan
    if kind is Kind.OVERLOAD:
        return overload_value(field)
    return clock_seconds(field) if kind is Kind.CLOCK else None


def overload_value(field: str) -> float:
    """Return plus or minus infinity for an overload mark whose side is known, `UNSIGNED_OVERLOAD` otherwise."""
    field = field.strip().lower()
    if field.startswith("-") and field.strip("-"):
        return -math.inf
    if field.startswith("<"):
        return -math.inf
    return math.inf if field.startswith(("+", "inf", "1.#inf", "∞", ">")) else UNSIGNED_OVERLOAD


def clock_seconds(field: str) -> float | None:
    """Return seconds since midnight (or since the hour, for ``mm:ss``), None when `field` is no clock time."""
    match = _CLOCK.match(field)
    return None if match is None else float(clock_text(match))


def clock_text(match: re.Match[str]) -> str:
    """Return the seconds of a matched clock time as the text of a number, its fraction digit for digit."""
    whole = int(match["hours"] or 0) * 3600 + int(match["minutes"]) * 60 + int(match["seconds"])
    return f"{whole}.{(match['fraction'] or '.')[1:]}"


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the fields of one line; a blank as delimiter means any run of blanks, an empty one a single field."""
    if delimiter == " ":
        return line.split()
    if not delimiter:
        return [line]
    if '"' in line:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    return line.split(delimiter)
