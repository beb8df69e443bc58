"""The job book: what is found again, what changes are seen, and an index that may be thrown away at any time."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire import save_capture
from crankfold.analysis import CURRENT, Capture, Channel
from crankfold.viewer.jobs import FINDINGS, JobBook, Query, book_bytes

LAUNCH = {"customer": "Harbour Co-operative", "plate": "HW 104", "technician": "night shift", "notes": "runs rough"}


def result_of(*percents: float, states: tuple[str, ...] = ()) -> dict[str, object]:
    states = states or tuple("dead" if p < 15 else "low" if p < 75 else "good" for p in percents)
    return {"verdict": "even" if all(s == "good" for s in states) else "uneven", "reasons": [], "cylinders": [
        {"position": k, "cylinder": k, "relative_percent": p, "state": s}
        for k, (p, s) in enumerate(zip(percents, states, strict=True), 1)]}


def keep(path: Path, *, day: int = 0, result: dict[str, object] | None = None, **job: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    about = {"engine": {"name": "irrigation pump", "firing_order": "1-3-4-2"}, "job": job}
    about |= {} if result is None else {"result": result}
    started = datetime(2026, 3, 1, 12, tzinfo=UTC) + timedelta(days=day)
    save_capture(Capture(np.zeros((10, 1)), 1000.0, (Channel(CURRENT, "A"),), about=about, started_utc=started), path)
    return path


@pytest.fixture
def book(tmp_path: Path):
    """A folder of four captures and its book."""
    folder = tmp_path / "captures"
    keep(folder / "a.h5", day=0, result=result_of(100, 96, 8, 99), **LAUNCH)
    keep(folder / "2026" / "b.h5", day=9, result=result_of(100, 98, 97, 99), **LAUNCH)
    keep(folder / "c.h5", day=4, result=result_of(100, 60, 99, 98), plate="HW 7", customer="Müller_50%")
    keep(folder / "d.h5", day=5, result={"verdict": "none", "reasons": [{"code": "too-short"}], "cylinders": []})
    with JobBook(folder, tmp_path / "index.sqlite") as made:
        assert made.refresh() == 4
        yield made


def files(book: JobBook, **query: object) -> list[str]:
    return [entry.file for entry in book.find(Query(**query))]  # type: ignore[arg-type]


def test_the_newest_comes_first_and_says_what_was_found(book: JobBook) -> None:
    newest, *_, oldest = book.find()
    assert (newest.file, newest.verdict, newest.lowest_percent) == ("2026/b.h5", "even", 97.0)
    assert (oldest.file, oldest.low, oldest.dead, oldest.plate) == ("a.h5", "3", "3", "HW 104")
    assert book.find(Query(finding="none"))[0].reason == "too-short"


@pytest.mark.parametrize(("query", "found"), [
    ({"words": ("harbour",)}, ["2026/b.h5", "a.h5"]), ({"words": ("HARBOUR", "a.h5")}, ["a.h5"]),
    ({"words": ("_50%",)}, ["c.h5"]), ({"words": ("%",)}, ["c.h5"]), ({"words": ("nobody",)}, []),
    ({"words": ("MÜLLER",)}, ["c.h5"]),
    ({"plate": "hw 104"}, ["2026/b.h5", "a.h5"]), ({"plate": "HW 10"}, []), ({"finding": "low"}, ["c.h5", "a.h5"]),
    ({"finding": "no-compression"}, ["a.h5"]), ({"finding": "even"}, ["2026/b.h5"]), ({"most": 1}, ["2026/b.h5"]),
    ({"since": date(2026, 3, 5), "until": date(2026, 3, 5)}, ["c.h5"])])
def test_what_is_asked_for_is_found(book: JobBook, query, found) -> None:
    assert files(book, **query) == found
    assert book.count(Query(**{**query, "most": None})) >= len(found)


def test_before_and_after_are_the_first_and_the_last_with_a_verdict(book: JobBook) -> None:
    pair = book.before_and_after("HW 104")
    assert pair is not None
    assert [entry.file for entry in pair] == ["a.h5", "2026/b.h5"]
    assert book.before_and_after("HW 7") is None


def test_only_what_changed_is_read_again(book: JobBook) -> None:
    assert book.refresh() == 0
    (book.folder / "c.h5").unlink()
    keep(book.folder / "d.h5", day=5, result=result_of(100, 99))
    keep(book.folder / "e.h5", day=6)
    assert book.refresh() == 2
    assert files(book, finding="open") == ["e.h5"]
    assert "c.h5" not in files(book)


def test_a_stop_in_the_middle_loses_nothing_that_was_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("crankfold.viewer.jobs.book.TOGETHER", 2)
    for name in "abcde":
        keep(tmp_path / "f" / f"{name}.h5")

    def stop(done: int, of: int) -> None:
        assert of == 5
        if done >= 2:
            raise KeyboardInterrupt

    with JobBook(tmp_path / "f", tmp_path / "i.sqlite") as book:
        with pytest.raises(KeyboardInterrupt):
            book.refresh(stop)
        assert len(book.find()) == 2
        assert book.refresh() == 3


@pytest.mark.parametrize("damage", [b"", b"not SQLite at all" * 100, b"SQLite format 3\0" + bytes(4000)])
def test_a_damaged_index_is_made_anew(book: JobBook, tmp_path: Path, damage: bytes) -> None:
    place = tmp_path / "index.sqlite"
    book.close()
    place.write_bytes(damage)
    with JobBook(book.folder, place) as again:
        assert again.refresh() == 4
        assert len(again.find()) == 4


def test_an_index_of_another_layout_is_made_anew(book: JobBook, tmp_path: Path) -> None:
    import sqlite3

    book.close()
    with sqlite3.connect(tmp_path / "index.sqlite") as base:
        base.execute("PRAGMA user_version = 999")
    base.close()
    with JobBook(book.folder, tmp_path / "index.sqlite") as again:
        assert again.refresh() == 4


def test_where_no_index_may_lie_the_book_works_all_the_same(book: JobBook, tmp_path: Path) -> None:
    (tmp_path / "in-the-way").write_text("a file where the folder would be")
    with JobBook(book.folder, tmp_path / "in-the-way" / "index.sqlite") as made:
        assert made.refresh() == 4


def test_a_damaged_capture_is_an_entry_that_says_so(book: JobBook) -> None:
    (book.folder / "torn.h5").write_bytes((book.folder / "a.h5").read_bytes()[:900])
    book.refresh()
    (entry,) = book.find(Query(finding="unreadable"))
    assert entry.file == "torn.h5"
    assert "damaged" in entry.reason


@given(st.lists(st.text(max_size=20), max_size=3), st.text(max_size=20), st.sampled_from(["", *FINDINGS]))
def test_no_text_is_taken_for_a_command(words: list[str], plate: str, finding: str) -> None:
    condition, values = Query(tuple(words), plate, finding).sql()
    assert condition.count("?") == len(values)
    assert not any(word in condition for word in words if len(word) > 12)


def test_the_table_is_a_table_and_holds_no_formula(book: JobBook) -> None:
    keep(book.folder / "evil.h5", customer="=HYPERLINK(1)", notes='a "quoted", text')
    book.refresh()
    rows = list(csv.DictReader(io.StringIO(book_bytes(book.find()).decode("utf-8"), newline="")))
    assert len(rows) == 5
    (evil,) = (row for row in rows if row["file"] == "evil.h5")
    assert evil["customer"] == "'=HYPERLINK(1)"
    assert evil["notes"] == 'a "quoted", text'


def test_the_command_lists_searches_and_writes_a_table(book: JobBook, in_process, monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    done = in_process("jobs", book.folder)
    assert done.returncode == 0, done.stderr
    assert all(name in done.stdout for name in ("a.h5", "2026/b.h5", "c.h5", "d.h5", "HW 104"))
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    done = in_process("jobs", book.folder, "--plate", "HW 104")
    assert "crankfold compare" in done.stdout
    assert "c.h5" not in done.stdout
    done = in_process("jobs", book.folder, "--finding", "low", "--csv", "low.csv")
    assert done.returncode == 0, done.stderr
    assert (in_process.folder / "low.csv").read_text().count("\n") == 3
    assert "No captures match" in in_process("jobs", book.folder, "nobody").stdout
    missing = in_process("jobs", book.folder / "none")
    assert missing.returncode == 2
    assert len(missing.stderr.splitlines()) == 1


def test_what_a_kept_crank_says_is_found_in_the_book(in_process, monkeypatch, tmp_path) -> None:
    """From the virtual engine through capture, into a folder, and out of the job book."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    done = in_process("capture", "--from", "virtual:dead=3,pace=flat", "--firing-order", "1-3-4-2", "--sync",
                      "waste-spark:1", "--count", "1", "--out", "kept")
    assert done.returncode in (0, 3), done.stderr
    with JobBook(in_process.folder / "kept", tmp_path / "i.sqlite") as book:
        book.refresh()
        (entry,) = book.find()
    beside = json.loads(next((in_process.folder / "kept").glob("*.json")).read_text())
    assert entry.verdict == beside["verdict"]
    assert entry.order == "1-3-4-2"
