"""What is looked for in the job book: words, a finding, a time; and the SQL that finds it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crankfold.viewer.jobs.entry import Entry

FINDINGS = ("low", "no-compression", "even", "uneven", "limit", "none", "open", "unreadable")
"""What may be asked for: the verdicts, and ``low`` and ``no-compression`` of any cylinder."""

SEARCHED = ("customer", "plate", "engine", "technician", "notes", "file", "order")
_FOUND = {"low": "low <> ''", "no-compression": "dead <> ''"}


@dataclass(frozen=True)
class Query:
    """What to find; everything must fit.

    Parameters
    ----------
    words
        Each must stand in customer, plate, engine, technician, notes, firing order or file name; large and small
        letters alike.
    plate
        The plate or name, whole.
    finding
        One of `FINDINGS`, empty for all.
    since, until
        First and last day, in the computer's own time; None without limit.
    most
        At most so many, the newest first; None for all.
    """

    words: tuple[str, ...] = ()
    plate: str = ""
    finding: str = ""
    since: date | None = None
    until: date | None = None
    most: int | None = None

    def sql(self) -> tuple[str, list[object]]:
        """Return the condition with question marks, and the values for them."""
        parts, values = ["1"], list[object]()
        for word in self.words:
            parts.append("instr(words, ?) > 0")
            values.append(word.casefold())
        if self.plate:
            parts.append("plate = ? COLLATE NOCASE")
            values.append(" ".join(self.plate.split()))
        if self.finding:
            parts.append(_FOUND.get(self.finding, "verdict = ?"))
            values += [] if self.finding in _FOUND else [self.finding]
        if self.since is not None:
            parts.append("day >= ?")
            values.append(self.since.isoformat())
        if self.until is not None:
            parts.append("day < ?")
            values.append((self.until + timedelta(days=1)).isoformat())
        return " AND ".join(parts), values


def searched_text(entry: Entry) -> str:
    """Return what words are looked for in: one text in small letters, which SQLite cannot make of all languages."""
    return "\n".join(getattr(entry, name) for name in SEARCHED).casefold()
