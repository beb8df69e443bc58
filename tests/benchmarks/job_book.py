"""A job book of ten thousand captures, real files: read for the first time, opened, searched: `python job_book.py`."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from crankfold.acquire import save_capture
from crankfold.analysis import CURRENT, Capture, Channel
from crankfold.viewer.jobs import JobBook, Query

FILES, SEED, REPEATS = 10_000, 1, 5
OPEN_S, SEARCH_S = 0.5, 0.1  # what nobody waits for; our own choice
FIRST = datetime(2020, 1, 1, 8, tzinfo=UTC)
CUSTOMERS = ("Harbour Workshop", "Harbour Co-operative", "Quay ferry", "Pump station", "Slipway hire")
ENGINES = (("irrigation pump", "1-3-4-2"), ("harbour launch", "1-5-3-6-2-4"), ("winch", "1-2-3"))


def about_of(number: int, lot: np.random.Generator) -> dict[str, Any]:
    """Return what one made-up capture knows of itself: one in five has a low cylinder, one in twenty a dead one."""
    name, order = ENGINES[number % len(ENGINES)]
    names = [int(part) for part in order.split("-")]
    percents = lot.uniform(92.0, 100.0, len(names))
    if number % 5 == 0:
        percents[number % len(names)] = 5.0 if number % 20 == 0 else 58.0
    cylinders = [{"position": k, "cylinder": cylinder, "relative_percent": round(float(percent), 1),
                  "state": "dead" if percent < 15.0 else "low" if percent < 75.0 else "good"}
                 for k, (cylinder, percent) in enumerate(zip(names, percents, strict=True), 1)]
    return {"engine": {"name": name, "firing_order": order},
            "job": {"customer": CUSTOMERS[number % len(CUSTOMERS)], "plate": f"HW {number // 2}",
                    "technician": ("day shift", "night shift")[number % 2], "notes": f"job {number}"},
            "result": {"verdict": "uneven" if number % 5 == 0 else "even", "reasons": [], "cylinders": cylinders}}


def make_files(folder: Path, count: int) -> None:
    """Write so many captures, a folder a month, as a shop would have them."""
    lot = np.random.default_rng(SEED)
    samples = np.zeros((200, 1))
    for number in range(count):
        started = FIRST + timedelta(hours=5 * number)
        path = folder / f"{started:%Y-%m}" / f"HW-{number // 2}-{started:%Y-%m-%d-%H%M}.h5"
        path.parent.mkdir(parents=True, exist_ok=True)
        save_capture(Capture(samples, 1000.0, (Channel(CURRENT, "A"),), about=about_of(number, lot),
                             started_utc=started), path)


def best_s(call: Callable[[], object]) -> float:
    """Return the shortest of some calls; the other work of the machine is in it."""
    times = []
    for _ in range(REPEATS):
        began_s = time.perf_counter()
        call()
        times.append(time.perf_counter() - began_s)
    return min(times)


def opened(folder: Path, place: Path) -> None:
    """Open the book as the window does, look for what is new, and read the newest page."""
    with JobBook(folder, place) as book:
        book.refresh()
        book.find(Query(most=500))
        book.count()


def searches(count: int) -> dict[str, Query]:
    """Return what is looked for, by name."""
    return {"two words": Query(("harbour", f"job {count // 2}")), "a plate": Query(plate=f"HW {count // 4}"),
            "a word in all of it": Query(("shift",), most=500), "low ones": Query(finding="low", most=500),
            "nothing": Query(("nobody",)), "a year": Query(since=FIRST.date(), until=FIRST.date().replace(year=2021))}


def main() -> int:
    """Make the files where there are none yet, print the times, and return whether they are short enough."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--files", type=int, default=FILES)
    asked.add_argument("--folder", type=Path, help="keep the files here for the next run")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder, place = given.folder or Path(scratch) / "captures", Path(scratch) / "index.sqlite"
        if not folder.is_dir():
            began_s = time.perf_counter()
            make_files(folder, given.files)
            print(f"{given.files:,} captures written in {time.perf_counter() - began_s:.1f} s")
        began_s = time.perf_counter()
        with JobBook(folder, place) as book:
            read = book.refresh()
        first_s = time.perf_counter() - began_s
        each_ms = 1e3 * first_s / max(read, 1)
        print(f"read for the first time: {first_s:.1f} s for {read:,} files, {each_ms:.2f} ms each")
        open_s = best_s(lambda: opened(folder, place))
        print(f"opened again, nothing new: {open_s:.3f} s")
        longest_s = 0.0
        with JobBook(folder, place) as book:
            for name, query in searches(given.files).items():
                found_s = best_s(lambda query=query: (book.find(query), book.count(query)))  # type: ignore[misc]
                longest_s = max(longest_s, found_s)
                print(f"looked for {name}: {1e3 * found_s:.1f} ms, {len(book.find(query)):,} found")
    return 0 if open_s < OPEN_S and longest_s < SEARCH_S else 1


if __name__ == "__main__":
    sys.exit(main())
