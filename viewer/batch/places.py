"""Where the captures of a batch lie, each once and in order of their names, however many: a database on disk."""

from __future__ import annotations

import os
import sqlite3
import weakref
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

AT_ONCE = 1000  # rows taken from the database at a time


@dataclass(frozen=True)
class Place:
    """Where one capture lies.

    Parameters
    ----------
    whole, shown
        The path or address, absolute, and how it is called in the table.
    stamp
        What tells that a file far away has changed; of files here it is looked up when they are due.
    beside
        Whether a file of options lies beside one far away; None: to be looked up.
    own
        The options that a list gives, as JSON.
    """

    whole: str
    shown: str
    stamp: str | None = None
    beside: bool | None = None
    own: str | None = None


class Places:
    """All places, and the keys of what was asked of them; they are gone with the program."""

    def __init__(self) -> None:
        self._db = scratch_database(self)
        self._db.execute("CREATE TABLE place (whole BLOB PRIMARY KEY, shown BLOB, stamp TEXT, beside INTEGER, own TEXT)"
                         " WITHOUT ROWID")
        self._db.execute("CREATE TABLE asked (shown BLOB PRIMARY KEY, key TEXT) WITHOUT ROWID")

    def add(self, places: Iterable[Place]) -> None:
        """Take places in; of one that came before, the first name in order stays, and what a list says of it."""
        self._db.execute("BEGIN")
        self._db.executemany(
            "INSERT INTO place VALUES (?, ?, ?, ?, ?) ON CONFLICT (whole) DO UPDATE SET"
            " shown = min(shown, excluded.shown), own = coalesce(excluded.own, own)",
            ((_bytes(p.whole), _bytes(p.shown), p.stamp, p.beside, p.own) for p in places))
        self._db.execute("COMMIT")

    def __len__(self) -> int:
        return int(self._db.execute("SELECT count(*) FROM place").fetchone()[0])

    def __iter__(self) -> Iterator[Place]:
        self._db.execute("CREATE INDEX IF NOT EXISTS in_order ON place (shown, whole)")
        cursor = self._db.execute("SELECT whole, shown, stamp, beside, own FROM place ORDER BY shown, whole")
        while some := cursor.fetchmany(AT_ONCE):
            for whole, shown, stamp, beside, own in some:
                yield Place(_text(whole), _text(shown), stamp, None if beside is None else bool(beside), own)

    def note(self, shown: str, key: str) -> None:
        """Remember the key of what is asked of a capture."""
        self._db.execute("INSERT OR REPLACE INTO asked VALUES (?, ?)", (_bytes(shown), key))

    def key_of(self, shown: str) -> str | None:
        """Return the key of what is asked of a capture, None of one that is not among them."""
        found = self._db.execute("SELECT key FROM asked WHERE shown = ?", (_bytes(shown),)).fetchone()
        return None if found is None else str(found[0])

    def keys(self) -> Iterator[str]:
        """Yield all keys in order of the captures' names."""
        cursor = self._db.execute("SELECT key FROM asked ORDER BY shown")
        while some := cursor.fetchmany(AT_ONCE):
            yield from (key for key, in some)


def scratch_database(owner: object) -> sqlite3.Connection:
    """Return a database on disk that nobody else sees, and that goes with its owner."""
    database = sqlite3.connect("", isolation_level=None, check_same_thread=False)
    weakref.finalize(owner, database.close)
    return database


def _bytes(text: str) -> bytes:
    return os.fsencode(text)  # some systems have names that are no Unicode


def _text(content: bytes) -> str:
    return os.fsdecode(content)
