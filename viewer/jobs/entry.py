"""One line of the job book: what a capture file says of its job, its engine and its last result; as a table too."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, fields
from datetime import datetime
from typing import TYPE_CHECKING, Any

from crankfold.acquire import Job
from crankfold.viewer.words import safe_cell, say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from crankfold.acquire import StoredFacts

EVEN, UNEVEN, LIMIT, NONE, NOT_ANALYSED, UNREADABLE = "even", "uneven", "limit", "none", "open", "unreadable"
DEAD_STATES, LOW_STATES = ("dead",), ("low", "dead")
LONGEST_TEXT = 200  # characters of a field that are kept in the index; the file keeps all
LEFT_OUT = ("size", "changed_ns")  # the index's own business


@dataclass(frozen=True)
class Entry:
    """One capture.

    Parameters
    ----------
    file
        Its path below the folder, with slashes.
    size, changed_ns
        Of the file, to see whether it has to be read again.
    started_utc
        ISO 8601, empty where nobody knew.
    customer, plate, mileage, technician, notes
        Of the job, as they were written.
    engine, order
        The engine's name and its firing order.
    verdict
        ``even``, ``uneven``, ``limit`` or ``none`` of the last result; ``open`` where there is none yet, ``unreadable``
        where the file cannot be read.
    lowest_percent
        Of the weakest cylinder, None without a verdict.
    low
        Numbers of the low cylinders, or places such as ``#2`` where they have none, with commas between.
    dead
        Those of them without compression.
    reason
        Code of the first reason for having no verdict, or why the file cannot be read.
    """

    file: str
    size: int
    changed_ns: int
    started_utc: str = ""
    customer: str = ""
    plate: str = ""
    mileage: str = ""
    technician: str = ""
    notes: str = ""
    engine: str = ""
    order: str = ""
    verdict: str = NOT_ANALYSED
    lowest_percent: float | None = None
    low: str = ""
    dead: str = ""
    reason: str = ""


COLUMNS = tuple(item.name for item in fields(Entry))
JOB_FIELDS = tuple(item.name for item in fields(Job) if item.name in COLUMNS)


def entry_of(file: str, size: int, changed_ns: int, facts: StoredFacts) -> Entry:
    """Return the line of a capture file from what it says of itself."""
    about = facts.about
    job, engine, result = (_table(about.get(name)) for name in ("job", "engine", "result"))
    known: dict[str, Any] = {name: _text(job.get(name)) for name in JOB_FIELDS}
    known |= {"engine": _text(engine.get("name")), "order": _text(engine.get("firing_order"))}
    started = "" if facts.started_utc is None else facts.started_utc.isoformat()
    return Entry(file, size, changed_ns, started, **known, **_found(result))


def _found(result: Mapping[str, Any]) -> dict[str, Any]:
    verdict = _text(result.get("verdict")) or NOT_ANALYSED
    if verdict not in (EVEN, UNEVEN, LIMIT):
        reasons = result.get("reasons")
        first = _table(reasons[0]) if isinstance(reasons, list) and reasons else {}
        return {"verdict": NONE if verdict == NONE else NOT_ANALYSED, "reason": _text(first.get("code"))}
    cylinders = [_table(each) for each in result.get("cylinders") or ()]
    percents = [float(each["relative_percent"]) for each in cylinders
                if isinstance(each.get("relative_percent"), int | float)]
    return {"verdict": verdict, "lowest_percent": min(percents, default=None),
            "low": _names(cylinders, LOW_STATES), "dead": _names(cylinders, DEAD_STATES)}


def _names(cylinders: list[Mapping[str, Any]], states: tuple[str, ...]) -> str:
    return ", ".join(str(each["cylinder"]) if each.get("cylinder") is not None else f"#{each.get('position')}"
                     for each in cylinders if each.get("state") in states)


def _table(data: object) -> Mapping[str, Any]:
    return data if isinstance(data, dict) else {}


def _text(data: object) -> str:
    return "" if data is None else " ".join(str(data).split())[:LONGEST_TEXT]


def when_text(entry: Entry) -> str:
    """Return day and minute in the computer's own time, empty where nobody knew."""
    if not entry.started_utc:
        return ""
    return datetime.fromisoformat(entry.started_utc).astimezone().strftime("%Y-%m-%d %H:%M")


def finding_text(entry: Entry) -> str:
    """Return what was found in one capture, in a few words."""
    facts = {"low": entry.low, "dead": entry.dead, "lowest_percent": entry.lowest_percent}
    if entry.verdict == "uneven":
        return say("jobs.finding.no-compression" if entry.dead else "jobs.finding.low", **facts)
    return say(f"jobs.finding.{entry.verdict}", **facts)


def book_bytes(entries: Sequence[Entry]) -> bytes:
    """Return the entries as CSV (RFC 4180, UTF-8), a row each, in their order."""
    names = [name for name in COLUMNS if name not in LEFT_OUT]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(names)
    for entry in entries:
        writer.writerow([safe_cell(getattr(entry, name)) for name in names])
    return text.getvalue().encode("utf-8", "backslashreplace")
