"""An index of the captures in a folder: SQLite in the cache, rebuilt from the files at any time, never the only copy.

It lies with the caches of this computer, not in the folder: a folder on a network is no place for SQLite's locks, and
what is only an index may be thrown away.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Self

from crankfold.viewer.jobs.entry import COLUMNS, UNREADABLE, Entry, entry_of
from crankfold.viewer.jobs.query import Query, searched_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType

ENDINGS = (".h5", ".hdf5")
LAYOUT = 2  # of the table; another number throws the index away
TOGETHER = 100  # files read before they are written down: a stop loses no more
BUSY_S = 10.0  # another window that is reading the same folder is waited for so long
IN_MEMORY = ":memory:"
_FIELDS = tuple("order_text" if name == "order" else name for name in COLUMNS)
_TEXT = (*(name for name in _FIELDS if name not in ("size", "changed_ns", "lowest_percent")), "day", "words")
_MADE = (f"CREATE TABLE captures ({', '.join(f'{name} TEXT NOT NULL' for name in _TEXT)}, size INTEGER NOT NULL, "
         "changed_ns INTEGER NOT NULL, lowest_percent REAL, PRIMARY KEY (file)) WITHOUT ROWID",
         "CREATE INDEX by_day ON captures (day, file)", "CREATE INDEX by_start ON captures (started_utc, file)",
         "CREATE INDEX by_plate ON captures (plate COLLATE NOCASE)",
         f"PRAGMA user_version = {LAYOUT}")


class JobBook:
    """The captures of a folder and of the folders in it.

    Parameters
    ----------
    folder
        Where the captures are.
    place
        Where the index lies; by default a file of its own in this computer's cache. Damaged, of another layout or not
        to be written, it is made anew, at worst in memory.

    Raises
    ------
    OSError
        There is no such folder, or it may not be read.
    """

    def __init__(self, folder: Path, place: Path | None = None) -> None:
        self.folder = folder.resolve(strict=True)
        if not self.folder.is_dir():
            raise NotADirectoryError(20, "this is no folder", str(folder))
        self._base = _opened(place or index_place(self.folder))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the index."""
        self._base.close()

    def refresh(self, told: Callable[[int, int], None] | None = None) -> int:
        """Read what is new or changed, forget what is gone, and return how many files were read.

        Parameters
        ----------
        told
            Called with how many of how many files are read. What it raises stops the reading; what was read is kept.
        """
        found = dict(_files(self.folder))
        known = {file: (size, changed) for file, size, changed
                 in self._base.execute("SELECT file, size, changed_ns FROM captures")}
        with self._base:
            self._base.executemany("DELETE FROM captures WHERE file = ?", [(file,) for file in known.keys() - found])
        wanted = sorted(file for file, stamp in found.items() if known.get(file) != stamp)
        for at in range(0, len(wanted), TOGETHER):
            rows = [_read(self.folder, file, *found[file]) for file in wanted[at : at + TOGETHER]]
            self._write(rows)
            if told is not None:
                told(at + len(rows), len(wanted))
        return len(wanted)

    def find(self, query: Query | None = None) -> list[Entry]:
        """Return the captures that fit, the newest first; without a query all of them."""
        condition, values = (query or Query()).sql()
        text = f"SELECT {', '.join(_FIELDS)} FROM captures WHERE {condition} ORDER BY started_utc DESC, file DESC"
        if query is not None and query.most is not None:
            text, values = f"{text} LIMIT ?", [*values, query.most]
        return [Entry(*row) for row in self._base.execute(text, values)]

    def count(self, query: Query | None = None) -> int:
        """Return how many captures fit."""
        condition, values = (query or Query()).sql()
        (number,) = self._base.execute(f"SELECT count(*) FROM captures WHERE {condition}", values).fetchone()
        return int(number)

    def before_and_after(self, plate: str) -> tuple[Entry, Entry] | None:
        """Return the first and the last capture with a verdict of one plate or name, None where there are not two."""
        judged = [entry for entry in self.find(Query(plate=plate)) if entry.lowest_percent is not None]
        return (judged[-1], judged[0]) if len(judged) > 1 else None

    def path_of(self, entry: Entry) -> Path:
        """Return where an entry's file is."""
        return self.folder / entry.file

    def _write(self, entries: list[Entry]) -> None:
        rows = [(*(getattr(entry, name) for name in COLUMNS), _day(entry.started_utc), searched_text(entry))
                for entry in entries]
        names = (*_FIELDS, "day", "words")
        with self._base:
            self._base.executemany(f"INSERT OR REPLACE INTO captures ({', '.join(names)}) "
                                   f"VALUES ({', '.join('?' * len(names))})", rows)


def index_place(folder: Path) -> Path:
    """Return where the index of a folder lies."""
    from platformdirs import user_cache_path

    name = hashlib.sha256(str(folder).encode("utf-8", "surrogateescape")).hexdigest()[:16]
    return user_cache_path("crankfold", appauthor=False) / "jobs" / f"{name}.sqlite"


def _opened(place: Path) -> sqlite3.Connection:
    """Return the index at that place, made anew where it is missing, damaged or of another layout."""
    for _ in range(2):
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            return _checked(str(place))
        except sqlite3.OperationalError:
            break  # no room, no right, or busy for too long
        except sqlite3.DatabaseError:
            with contextlib.suppress(OSError):
                place.unlink()
        except OSError:
            break
    return _checked(IN_MEMORY)


def _checked(name: str) -> sqlite3.Connection:
    base = sqlite3.connect(name, timeout=BUSY_S)
    try:
        (layout,) = base.execute("PRAGMA user_version").fetchone()
        if layout not in (0, LAYOUT):
            raise sqlite3.DatabaseError("another layout")
        with base:
            base.execute("BEGIN IMMEDIATE")
            (there,) = base.execute("SELECT count(*) FROM sqlite_master WHERE name = 'captures'").fetchone()
            for statement in () if there else _MADE:
                base.execute(statement)
        base.execute("SELECT day, lowest_percent, words FROM captures LIMIT 1").fetchone()
    except BaseException:
        base.close()
        raise
    return base


def _files(folder: Path) -> Iterator[tuple[str, tuple[int, int]]]:
    """Yield each capture's path below a folder, with its size and when it changed; hidden ones are left out."""
    waiting = [("", str(folder))]
    while waiting:
        below, whole = waiting.pop()
        with contextlib.suppress(OSError), os.scandir(whole) as found:  # gone, or not to be read
            for item in found:
                if item.name.startswith("."):
                    continue
                if item.is_dir(follow_symlinks=False):
                    waiting.append((f"{below}{item.name}/", item.path))
                elif item.name.lower().endswith(ENDINGS):
                    with contextlib.suppress(OSError):  # gone since it was listed
                        status = item.stat()
                        yield f"{below}{item.name}", (status.st_size, status.st_mtime_ns)


def _read(folder: Path, file: str, size: int, changed_ns: int) -> Entry:
    from crankfold.acquire import AcquireError, read_facts

    try:
        return entry_of(file, size, changed_ns, read_facts(folder / file))
    except (AcquireError, OSError) as error:
        return Entry(file, size, changed_ns, verdict=UNREADABLE, reason=" ".join(str(error).split())[:200])


def _day(started_utc: str) -> str:
    """Return the day in the computer's own time, empty where it is not known."""
    return datetime.fromisoformat(started_utc).astimezone().date().isoformat() if started_utc else ""
