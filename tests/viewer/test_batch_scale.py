"""Very many captures: rows that go to a folder of Parquet files, workers that come and go, captures far away."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import os
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import replace
from io import FileIO
from pathlib import Path
from unittest.mock import Mock

import fsspec
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import dataset, parquet

import crankfold.viewer.batch as door
from crankfold.acquire import load_plugins, save_capture
from crankfold.analysis import Capture, InputError
from crankfold.viewer.batch import Answer, DaskCluster, DataSet, Job, Journal, Planner, dask_cluster, own_version, run
from crankfold.viewer.batch import data_set as data_set_module
from crankfold.viewer.batch import journal as journal_module
from crankfold.viewer.batch import runner as runner_module
from crankfold.viewer.batch.runner import Crew, CrewGoneError
from crankfold.viewer.batch.work import judge_job
from crankfold.viewer.session import NOTHING_GIVEN, about_of, question_of

FOUR = {**NOTHING_GIVEN, "firing_order": "1-3-4-2"}


def plan_of(folder: Path, version: str = "1"):
    return Planner(FOUR, {}, load_plugins(), version).jobs([folder])


def touch(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_text("1,2\n")
    return folder


def answered(job: Job, final: bool = True) -> tuple[str, Answer]:
    return job.key, Answer({"file": job.shown, "verdict": "even" if final else None, "firing_order": "1-3-4-2",
                            "problem": None if final else "the disk is away"}, final)


def seen(folder: Path) -> Counter[str]:
    """What a reader of data sets finds in the folder just now."""
    return Counter(dataset.dataset(folder).to_table(["file"]).column("file").to_pylist())


def test_rows_go_to_files_as_they_come_and_a_run_goes_on_from_them(tmp_path: Path,
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut off in the middle, with a file full and rows waiting; and between writing a file and forgetting its rows."""
    monkeypatch.setattr(data_set_module, "PARTITION", 4)
    folder = touch(tmp_path / "in", *(f"{k}.csv" for k in range(10)))
    jobs, table = list(plan_of(folder)), tmp_path / "table"
    with DataSet(table) as kept:
        kept.add(map(answered, jobs[:3]))
        before = (table / "_rows.journal").read_bytes()
        kept.add(map(answered, jobs[3:5]))
        assert sum(seen(table).values()) == 5
        kept.add(map(answered, jobs[5:7]))
    (table / "_rows.journal").write_bytes(before)
    with DataSet(table) as kept:
        assert [kept.holds(job.key) for job in jobs] == [True] * 5 + [False] * 5
        kept.add(map(answered, jobs[5:]))
        plan = plan_of(folder)
        assert len(list(plan)) == 10
        assert sorted(row["file"] for row in kept.finish(plan)) == [job.shown for job in jobs]
    assert seen(table) == Counter(job.shown for job in jobs)
    assert sorted(p.name for p in table.iterdir()) == [f"part-{k:06d}.parquet" for k in range(2)]
    assert set(pd.read_parquet(table)["verdict"]) == {"even"}


def test_what_changed_is_replaced_what_failed_is_tried_again_and_the_rest_stays(tmp_path: Path) -> None:
    first, second = touch(tmp_path / "a", "1.csv", "2.csv", "3.csv"), touch(tmp_path / "b", "4.csv")
    table = tmp_path / "table"
    for folder in (first, second):
        with DataSet(table) as kept:
            plan = plan_of(folder)
            kept.add([answered(job, final=not job.shown.endswith("2.csv")) for job in plan])
            assert len(list(kept.finish(plan))) == len(plan)
    (first / "1.csv").write_text("1,2,3\n")
    with DataSet(table) as kept:
        plan = plan_of(first)
        left = [job for job in plan if not kept.holds(job.key)]
        assert [Path(job.shown).name for job in left] == ["1.csv", "2.csv"]
        kept.add(map(answered, left))
        assert sorted(Path(row["file"]).name for row in kept.finish(plan)) == ["1.csv", "2.csv", "3.csv"]
    rows = dataset.dataset(table).to_table().to_pylist()
    assert sorted(Path(row["file"]).name for row in rows) == ["1.csv", "2.csv", "3.csv", "4.csv"]
    assert {row["verdict"] for row in rows} == {"even"}


def test_a_folder_of_something_else_is_left_alone(tmp_path: Path) -> None:
    touch(tmp_path / "notes", "diary.txt")
    touch(tmp_path / "other")
    parquet.write_table(pa.table({"a": [1]}), tmp_path / "other" / "part-000000.parquet")
    for name in ("notes", "other"):
        before = sorted((tmp_path / name).iterdir())
        with pytest.raises(InputError, match="choose another folder"):
            DataSet(tmp_path / name)
        assert sorted((tmp_path / name).iterdir()) == before


@pytest.mark.parametrize("locks", [True, False])
def test_two_runs_of_one_table_do_not_meet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, locks: bool) -> None:
    """By the lock; and where there are no locks, by who says that he writes there."""
    path = tmp_path / "out.csv.journal"
    if not locks:
        monkeypatch.setitem(sys.modules, "fcntl", None)
    with monkeypatch.context() as elsewhere:
        elsewhere.setattr(os, "getpid", os.getppid)  # another program that runs
        journal = Journal(path)
    journal.add([("k", Answer({"file": "a"}))])
    with pytest.raises(InputError, match="is being written by another run"):
        Journal(path)
    assert journal.row("k") == {"file": "a"}
    journal.close()


def test_a_disk_that_fills_up_costs_no_row_that_was_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A write cut short, an error, and a stop that still hands on its rows: what is behind the cut is no ruin."""
    path, real = tmp_path / "j", journal_module._opened

    class Short(FileIO):
        full = False

        def write(self, content):
            if Short.full:
                raise OSError(28, "No space left on device")
            return super().write(content[: 1 + len(content) // 2])

    monkeypatch.setattr(journal_module, "_opened", lambda path: real(path).close() or Short(path, "r+"))
    with Journal(path) as journal:
        journal.add([("k1", Answer({"file": "a"}))])
        Short.full = True
        with pytest.raises(InputError, match="No space left"):
            journal.add([("k2", Answer({"file": "b"}))])
        Short.full = False
        journal.add([("k3", Answer({"file": "c"}))])
    monkeypatch.undo()
    with Journal(path) as journal:
        assert [journal.holds(key) for key in ("k1", "k2", "k3")] == [True, False, True]


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command's workers are threads of this process, which need no time to start."""
    @contextmanager
    def threads(count: int) -> Iterator[Crew]:
        with ThreadPoolExecutor(1) as pool:
            yield Crew(pool, lambda: 1, lambda: None)

    assert door.processes
    monkeypatch.setattr(door, "processes", threads)


def rows_of(table: Path) -> list[dict[str, str]]:
    with table.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def say_what_it_is(capture: Capture) -> Capture:
    options = {**FOUR, "sync": "waste-spark:1"}
    return replace(capture, about=about_of(question_of(options)).data())


def test_captures_that_say_what_they_are_need_no_options(in_process, here: None, dead_three: Capture) -> None:
    """Neither for `batch` nor for `study`; one that does not has a row that says so, and an exit status."""
    folder = in_process.folder / "in"
    folder.mkdir()
    for k in range(3):
        save_capture(say_what_it_is(dead_three.rescaled("current", 1.0 + 0.01 * k, "A")), folder / f"{k}.h5")
    done = in_process("batch", "in", "--table", "out.csv")
    assert (done.returncode, done.stderr) == (0, "")
    rows = rows_of(in_process.folder / "out.csv")
    assert [(row["low"], row["sync"]) for row in rows] == [("3", "waste-spark")] * 3
    done = in_process("study", "in", "--json", "-")
    assert (done.returncode, done.stderr) == (0, "")
    assert len(json.loads(done.stdout)["files"]) == 3
    save_capture(dead_three, folder / "3.h5")
    done = in_process("batch", "in", "--table", "out.csv")
    assert done.returncode == 4
    assert "3 uneven, 0 without a verdict, 1 unreadable" in done.stdout
    assert "in/3.h5" in done.stdout


def test_the_exit_status_says_whether_some_or_all_were_unreadable(in_process, here: None, even_csv: Path) -> None:
    folder = touch(in_process.folder / "in", "torn.csv")
    (folder / "empty.h5").write_bytes(b"")
    order = ("--firing-order", "1-3-4-2")
    done = in_process("batch", "in", "--table", "out.csv", *order)
    assert (done.returncode, done.stdout.splitlines()[0].split(": ")[1]) == (
        5, "0 even, 0 uneven, 0 without a verdict, 2 unreadable.")
    done = in_process("batch", "in", even_csv, "--table", "out.csv", *order)
    assert done.returncode == 4
    done = in_process("batch", even_csv, "--table", "out.csv", *order)
    assert done.returncode == 0
    help_text = " ".join(in_process("batch", "--help").stdout.split())
    assert "the exit status is 4 if some can't be read, 5 if none can" in help_text


def test_tables_of_earlier_runs_are_no_captures(in_process, here: None, even_csv: Path) -> None:
    folder = touch(in_process.folder / "in")
    (folder / "a.csv").write_bytes(even_csv.read_bytes())
    for name in ("one.csv", "two.parquet", "three", "four.csv"):
        done = in_process("batch", "in", "--table", f"in/{name}", "--firing-order", "1-3-4-2")
        assert (done.returncode, done.stdout.split(" captures")[0]) == (0, "1"), done.stdout


def test_captures_far_away_are_listed_fetched_and_judged(dead_three: Capture, tmp_path: Path) -> None:
    """With what lies beside them; one that changes is judged anew, one that cannot be had is tried again."""
    far = fsspec.filesystem("memory")
    save_capture(dead_three, tmp_path / "a.h5")
    for name in ("pump/a.h5", "pump/deep/b.h5"):
        far.pipe(f"/{name}", (tmp_path / "a.h5").read_bytes())
    far.pipe("/pump/deep/b.toml", b'sync = "waste-spark:1"\n')
    far.pipe("/pump/.hidden.csv", b"1,2\n")
    far.pipe("/pump/readme.md", b"")
    one, other = Planner(FOUR, {}, load_plugins(), "1").jobs(["memory://pump"])
    assert (one.shown, other.shown) == ("memory:///pump/a.h5", "memory:///pump/deep/b.h5")
    row = judge_job(one).row
    assert (row["verdict"], row["low"]) == ("uneven", None)
    answer = judge_job(other)
    assert (answer.row["low"], answer.final) == ("3", True)
    assert answer.row["sha256"] == hashlib.sha256((tmp_path / "a.h5").read_bytes()).hexdigest()
    far.pipe("/pump/a.h5", b"torn")
    (again, *_) = Planner(FOUR, {}, load_plugins(), "1").jobs(["memory://pump"])
    assert again.key != one.key
    far.rm("/pump/a.h5")
    answer = judge_job(again)
    assert (answer.final, "memory:///pump/a.h5 can't be read" in answer.row["problem"]) == (False, True)
    with pytest.raises(InputError, match="memory://nowhere can't be reached"):
        Planner(FOUR, {}, load_plugins(), "1").jobs(["memory://nowhere"])
    with pytest.raises(InputError, match="Protocol not known"):
        Planner(FOUR, {}, load_plugins(), "1").jobs(["gopher+x://nowhere"])


def test_a_list_may_name_captures_far_away(in_process, here: None, dead_three: Capture) -> None:
    save_capture(dead_three, in_process.folder / "a.h5")
    address = f"file://{in_process.folder}/a.h5"
    (in_process.folder / "list.csv").write_text(f"file,firing-order\n{address},1-3-4-2\n")
    done = in_process("batch", "--list", "list.csv", "--table", "out.csv")
    assert (done.returncode, done.stderr) == (0, "")
    (row,) = rows_of(in_process.folder / "out.csv")
    assert (row["file"], row["verdict"]) == (address, "uneven")


def jobs_named(count: int) -> list[Job]:
    return [Job(f"/{k}", f"{k:03d}", (), {}, None, str(k)) for k in range(count)]


class Shaky(Executor):
    """Workers behind a scheduler that goes away after so many chunks, with two of them under way."""

    def __init__(self, lives: int) -> None:
        self.lives, self.under_way = lives, []

    def submit(self, fn, /, *args, **kwargs):
        future: Future = Future()
        self.lives -= 1
        if self.lives > 1:
            future.set_result([Answer({"file": job.shown}) for job in args[0]])
            return future
        self.under_way.append(future)
        if self.lives < 0:
            for each in self.under_way:
                each.cancel()
                each.set_running_or_notify_cancel()
            self.under_way.clear()
        return future


def test_what_a_lost_scheduler_had_is_asked_for_again() -> None:
    """However often it goes, in the middle of its work or as it is asked for its workers; each row comes once."""
    lives, asked = iter([3, 0, 5, 2]), []

    @contextmanager
    def crew() -> Iterator[Crew]:
        shaky = Shaky(next(lives, 10_000))

        def workers() -> int:
            asked.append(1)
            if len(asked) == 4:
                raise CrewGoneError
            return 2

        yield Crew(shaky, workers, lambda: None)

    rows = [job.shown for some in run(jobs_named(200), 200, crew) for job, _ in some]
    assert Counter(rows) == Counter(job.shown for job in jobs_named(200))


def test_what_is_under_way_follows_the_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """None at first: it waits; then three, then one."""
    monkeypatch.setattr(runner_module, "LOOK_S", 0.001)
    now, under_way, most = iter([0, 0, 3, 3]), [], []

    class Held(Executor):
        def submit(self, fn, /, *args, **kwargs):
            future: Future = Future()
            under_way.append((future, args[0]))
            return future

    def workers() -> int:
        count = next(now, 1)
        open_ones = [pair for pair in under_way if not pair[0].done()]
        most.append((count, len(open_ones)))
        for future, chunk in open_ones[: max(1, len(open_ones) - 1)]:
            future.set_result([Answer({"file": job.shown}) for job in chunk])
        return count

    @contextmanager
    def crew() -> Iterator[Crew]:
        yield Crew(Held(), workers, lambda: None)

    rows = [job.shown for some in run(jobs_named(100), 100, crew) for job, _ in some]
    assert len(set(rows)) == len(rows) == 100
    assert most[:2] == [(0, 0), (0, 0)]
    assert max(waiting for _, waiting in most) == 6
    assert max(waiting for _, waiting in most[8:]) <= 2


def test_workers_that_cannot_even_start_are_not_blamed_on_captures() -> None:
    class Dead(Executor):
        def submit(self, fn, /, *args, **kwargs):
            raise_later: Future = Future()
            raise_later.set_exception(BrokenProcessPool("out of memory"))
            return raise_later

    @contextmanager
    def crew() -> Iterator[Crew]:
        yield Crew(Dead(), lambda: 2, lambda: None)

    with pytest.raises(InputError, match=r"end before they do anything \(out of memory\)"):
        list(run(jobs_named(3), 3, crew))


@pytest.mark.parametrize("comes_back", [True, False])
def test_a_scheduler_that_went_away_is_waited_for(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
                                                  comes_back: bool) -> None:
    """It is said once; where it stays away, what to do."""
    import distributed

    tries = iter([True, False, False, comes_back])

    def client(address: str, **kwargs):
        if not next(tries, comes_back):
            raise OSError("nobody there")
        return Mock()

    monkeypatch.setattr(distributed, "Client", client)
    monkeypatch.setattr(dask_cluster, "AGAIN_S", 0.2)
    monkeypatch.setattr(dask_cluster, "RETURN_S", 30.0 if comes_back else 0.1)
    cluster = DaskCluster("tcp://127.0.0.1:1")
    with cluster.open():
        pass
    with (contextlib.nullcontext() if comes_back else pytest.raises(InputError, match="hasn't come back; start it"),
          cluster.open()):
        assert comes_back
    assert capsys.readouterr().err.count("the scheduler is gone; waiting") == 1


@pytest.mark.parametrize(("said", "told"), [
    ({"a": "0.0.1"}, "have crankfold 0.0.1, not"), ({"a": ModuleNotFoundError("crankfold")}, "can't load crankfold"),
    ({"a": OSError("left")}, None), ({"a": own_version()}, None)])
def test_each_new_worker_is_asked_for_its_version(said, told: str | None) -> None:
    client = Mock(status="running")
    client.sync.return_value, client.run.return_value = {"a": 2}, said
    workers = dask_cluster._Workers(client, "tcp://127.0.0.1:1")
    if told is None:
        assert workers() == 2
    else:
        with pytest.raises(InputError, match=told):
            workers()
    client.sync.side_effect = OSError("broken")
    workers._looked = float("-inf")
    with pytest.raises(CrewGoneError):
        workers()
