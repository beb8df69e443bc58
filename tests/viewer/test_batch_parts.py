"""The parts of a batch alone: who is asked what, dead workers, the journal, and mistakes in what lies beside."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path

import pytest
from pyarrow import parquet

from crankfold.acquire import load_plugins
from crankfold.analysis import InputError
from crankfold.viewer.batch import (
    Answer,
    Job,
    Journal,
    Planner,
    check_table_path,
    columns_of,
    dask_cluster,
    read_list,
    run,
)
from crankfold.viewer.batch import runner as batch_run
from crankfold.viewer.batch.beside import overlaid, read_sidecar
from crankfold.viewer.batch.runner import Crew
from crankfold.viewer.batch.table import cylinders_of, kind_of, write_table
from crankfold.viewer.batch.work import of_result
from crankfold.viewer.picture import FleetCount
from crankfold.viewer.session import question_of

NOTHING = {"firing_order": None, "intervals": None, "strokes": None, "engine_name": "", "fuel": None, "system_v": None,
           "engine": None, "rig": None, "clamp": None, "probe": None, "sync": None, "gauge": None, "misfire_codes": (),
           "low": 75.0, "dead": 15.0, "watch": None}


def planner(options=None, settings=None) -> Planner:
    return Planner(NOTHING | (options or {}), settings or {}, load_plugins(), "1.0")


def key_of(planner: Planner, folder: Path) -> str:
    (job,) = planner.jobs([folder])
    return job.key


def table_of(rows, ending: str) -> bytes:
    """Return rows as a table, in the order of their names."""
    file = io.BytesIO()
    write_table(file, sorted(rows, key=lambda row: row["file"]), columns_of(max(map(cylinders_of, rows))), ending)
    return file.getvalue()


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("1,2\n")


def test_folders_are_searched_for_what_readers_know(tmp_path: Path) -> None:
    touch(tmp_path, "b.csv", "a.csv.gz", "in/c.h5", ".hidden.csv", ".git/d.csv", "notes.txt~", "picture.png")
    jobs = planner({"firing_order": "1-2"}).jobs([tmp_path / "b.csv", tmp_path])
    assert [Path(job.path).name for job in jobs] == ["a.csv.gz", "b.csv", "c.h5"]
    assert all(job.problem is None for job in jobs)


def test_the_table_itself_is_no_capture(tmp_path: Path) -> None:
    touch(tmp_path, "a.csv", "out.csv")
    jobs = planner({"firing_order": "1-2"}).jobs([tmp_path], (), [tmp_path / "out.csv"])
    assert [Path(job.path).name for job in jobs] == ["a.csv"]


def test_an_engine_card_beside_a_capture_is_what_is_asked(tmp_path: Path) -> None:
    touch(tmp_path, "a.csv.gz", "b.csv")
    (tmp_path / "a.toml").write_text('firing_order = "1-2-3"\nignition = "none"\nvolts = 24\nbatteries = 2\n')
    one, other = planner({"firing_order": "1-3-4-2", "clamp": "10mV/A"}).jobs([tmp_path])
    asked = question_of(one.options)
    assert asked.engine.firing_order == (1, 2, 3)
    assert (asked.engine.fuel, asked.engine.system_v) == ("diesel", 24.0)
    assert str(asked.probe) == "10mV/A"
    assert question_of(other.options).engine.firing_order == (1, 3, 4, 2)
    assert one.key != other.key


def test_a_list_goes_before_what_lies_beside_the_file(tmp_path: Path) -> None:
    touch(tmp_path, "a.csv")
    (tmp_path / "a.toml").write_text('firing-order = "1-2-3"\nrate = 1000\n')
    (tmp_path / "jobs.csv").write_text("file,firing-order,rate,misfire-codes\na.csv,1-2,2000,P0301 P0302\n")
    (job,) = planner().jobs([], read_list(tmp_path / "jobs.csv"))
    asked = question_of(job.options)
    assert asked.engine.firing_order == (1, 2)
    assert asked.misfire_codes == ("P0301", "P0302")
    assert dict(job.settings) == {"rate": "2000"}


def test_who_says_the_firing_order_anew_says_the_intervals_anew() -> None:
    merged = overlaid({"firing_order": "1-2-3-4", "intervals": "90-270", "clamp": "10mV/A", "probe": None,
                       "sync": "none"}, {"firing_order": "1-3-4-2", "probe": "100uOhm", "unknown": 1})
    assert merged == {"firing_order": "1-3-4-2", "intervals": None, "clamp": None, "probe": "100uOhm", "sync": "none"}


def test_a_kept_row_is_used_only_for_the_same_file_question_and_version(tmp_path: Path) -> None:
    touch(tmp_path, "a.csv")
    keys = [key_of(planner({"firing_order": order}), tmp_path) for order in ("1-2", "1-2", "2-1")]
    keys.append(key_of(Planner(NOTHING | {"firing_order": "1-2"}, {}, load_plugins(), "2.0"), tmp_path))
    os.utime(tmp_path / "a.csv", (1, 1))
    keys.append(key_of(planner({"firing_order": "1-2"}), tmp_path))
    assert keys[0] == keys[1]
    assert len(set(keys)) == 4


def test_a_setting_is_given_to_the_readers_that_know_it(tmp_path: Path) -> None:
    touch(tmp_path, "a.csv", "b.h5")
    one, other = planner({"firing_order": "1-2"}, {"rate": "500"}).jobs([tmp_path])
    assert (dict(one.settings), dict(other.settings)) == ({"rate": "500"}, {})
    with pytest.raises(InputError, match="no file reader has this setting"):
        planner({}, {"rat": "500"})


@pytest.mark.parametrize(("text", "told"), [
    ("firing-order = ", "can't be read"), ("colour = 3", "colour isn't an option"),
    ("low = 'much'", "low can't be much"), ("strokes = []", "strokes can't be"),
    ("firing-order = '1-1'", "1"), ("engine = 'never kept'", "never kept")])
def test_mistakes_beside_a_capture_cost_its_row_alone(tmp_path: Path, text: str, told: str) -> None:
    touch(tmp_path, "a.csv", "b.csv")
    (tmp_path / "a.toml").write_text(text)
    one, other = planner({"firing_order": "1-2"}).jobs([tmp_path])
    assert one.options is None
    assert told in str(one.problem)
    assert other.problem is None


@pytest.mark.parametrize("text", [
    "path,sync\na.csv,none\n", "file,sync\na.csv,none,more\n", "file,colour\na.csv,red\n"])
def test_mistakes_in_a_list_are_told_at_once(tmp_path: Path, text: str) -> None:
    (tmp_path / "jobs.csv").write_text(text)
    with pytest.raises(InputError, match=r"line [12]"):
        list(read_list(tmp_path / "jobs.csv"))


def test_a_folder_in_a_list_is_refused_as_its_settings_would_reach_no_capture(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    touch(tmp_path / "day", "a.csv")
    (tmp_path / "jobs.csv").write_text("file,firing-order\nday,1-2\n")
    with pytest.raises(InputError, match="day is a folder; in a list, name one capture per row"):
        planner().jobs([], read_list(tmp_path / "jobs.csv"))


def test_nothing_beside_is_nothing_said(tmp_path: Path) -> None:
    assert read_sidecar(tmp_path / "none.toml") == {}


@pytest.mark.parametrize(("paths", "told"), [((), "no captures found in"), (("gone.csv",), "no such file")])
def test_no_captures_is_a_mistake(tmp_path: Path, paths, told) -> None:
    with pytest.raises(InputError, match=told):
        planner().jobs([tmp_path / path for path in paths] or [tmp_path])


class Fragile(Executor):
    """Workers that all die, like a pool's, when one meets a capture that kills."""

    def __init__(self, killers: set[str]) -> None:
        self.killers, self.broken, self.waiting = killers, False, []

    def submit(self, fn, /, *args, **kwargs):
        if self.broken:
            raise BrokenProcessPool
        future: Future = Future()
        chunk = args[0]
        self.waiting.append(future)
        if any(job.shown in self.killers for job in chunk):
            self.broken = True
            for each in self.waiting:
                if not each.done():
                    each.set_exception(BrokenProcessPool())
        else:
            future.set_result([Answer({"file": job.shown}) for job in chunk])
        return future


def jobs_named(*names: str) -> list[Job]:
    return [Job(f"/{name}", name, (), None, None, name) for name in names]


@pytest.mark.parametrize("killers", [set(), {"c007"}, {"c000", "c001", "c099"}])
def test_a_capture_that_kills_its_worker_is_a_row_and_harms_no_other(killers: set[str]) -> None:
    jobs = jobs_named(*(f"c{k:03d}" for k in range(100)))
    opened = []

    @contextmanager
    def crew():
        opened.append(1)
        yield Crew(Fragile(killers), lambda: 2, lambda: None)

    rows = {job.shown: answer for some in run(jobs, 100, crew) for job, answer in some}
    assert sorted(rows) == [job.shown for job in jobs]
    lost = {name for name, answer in rows.items() if answer.row.get("problem")}
    assert lost == {name for name, answer in rows.items() if not answer.final}
    assert lost == killers
    assert all("died" in rows[name].row["problem"] for name in lost)
    assert len(opened) <= 1 + 3 * len(killers)


def test_chunks_are_small_where_there_are_few_captures_and_bounded_where_there_are_many() -> None:
    sizes = []

    class Counting(Fragile):
        def submit(self, fn, /, *args, **kwargs):
            sizes.append(len(args[0]))
            return super().submit(fn, *args, **kwargs)

    @contextmanager
    def crew():
        yield Crew(Counting(set()), lambda: 2, lambda: None)

    list(run(jobs_named(*map(str, range(10))), 10, crew))
    assert max(sizes) == 2
    sizes.clear()
    list(run(jobs_named(*map(str, range(1000))), 1000, crew))
    assert max(sizes) == batch_run.CHUNK == 32


def test_a_journal_survives_a_cut_line_and_refuses_a_stranger(tmp_path: Path) -> None:
    table = tmp_path / "out.csv"
    with Journal.beside(table) as journal:
        journal.add([("k1", Answer({"file": "a", "rpm": 180.1})), ("k2", Answer({"file": "b", "rpm": None}))])
    path = tmp_path / "out.csv.journal"
    path.write_bytes(path.read_bytes() + b'{"key": "k3", "ro')
    with Journal.beside(table) as journal:
        assert [journal.row(key) for key in ("k1", "k2")] == [{"file": "a", "rpm": 180.1}, {"file": "b", "rpm": None}]
        assert not journal.holds("k3")
        journal.add([("k3", Answer({"file": "c"}))])
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [line["key"] for line in lines if "key" in line] == ["k1", "k2", "k3"]
    path.write_text("dear diary\n")
    with pytest.raises(InputError, match="isn't the journal of a batch"):
        Journal.beside(table)
    assert path.read_text() == "dear diary\n"


def test_only_final_rows_are_gone_on_from(tmp_path: Path) -> None:
    """A capture whose worker died, or whose disk could not be read, is tried again by the next run."""
    with Journal(tmp_path / "j") as journal:
        journal.add([("k1", Answer({"file": "a"})), ("k2", Answer({"file": "b", "problem": "died"}, final=False))])
        assert (journal.holds("k1"), journal.holds("k2")) == (True, False)
        assert journal.row("k2")["problem"] == "died"
    with Journal(tmp_path / "j") as journal:
        assert (journal.holds("k1"), journal.holds("k2")) == (True, False)


def test_columns_do_not_depend_on_the_order_of_rows() -> None:
    rows = [{"file": "b", "firing_order": "1-2-3"}, {"file": "a", "problem": "torn, \"badly\""}]
    assert table_of(rows, ".csv") == table_of(rows[::-1], ".csv")
    assert table_of(rows, ".parquet") == table_of(rows[::-1], ".parquet")
    assert columns_of(cylinders_of(rows[0]))[-1] == "position_3_high_end_bar"


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_names_in_any_bytes_are_written_with_escapes(ending: str) -> None:
    rows = [{"file": os.fsdecode(b"pump\xff.csv"), "problem": "t\u00f6rn"}]
    content = table_of(rows, ending)
    found = (list(csv.DictReader(io.StringIO(content.decode()))) if ending == ".csv"
             else parquet.read_table(io.BytesIO(content)).to_pylist())
    assert (found[0]["file"], found[0]["problem"]) == ("pump\\udcff.csv", "t\u00f6rn")


def test_a_table_is_csv_or_parquet() -> None:
    with pytest.raises(InputError, match="ends in"):
        check_table_path(Path("out.xlsx"))


def test_the_fleet_is_counted_by_what_decides() -> None:
    rows = [{"file": "a", "verdict": "none", "reasons": "clipped gap"}, {"file": "b", "problem": "torn"},
            {"file": "c", "verdict": "even", "weakest_percent": 93.0},
            {"file": "d", "verdict": "uneven", "weakest_percent": 2.0, "position_1_relative_percent": 99.0,
             "position_2_relative_percent": 2.0, "position_2_low_end_percent": 0.5, "position_2_high_end_percent": 4.0}]
    count = FleetCount()
    assert list(count.counted(rows)) == rows
    fleet = count.data()
    assert (fleet.tally.even, fleet.tally.uneven, fleet.tally.none, fleet.tally.unread) == (1, 1, 1, 1)
    assert fleet.reasons == (("clipped", 1),)
    assert (fleet.bins[0], fleet.bins[18], sum(fleet.bins)) == (1, 1, 2)
    assert (fleet.worst[0].file, fleet.worst[0].low_percent, fleet.worst[0].high_percent) == ("d", 0.5, 4.0)


def test_options_of_a_batch_are_checked_before_it_starts(in_process, tmp_path: Path) -> None:
    touch(tmp_path, "a.csv")
    for arguments in (("--table", "x.txt"), ("--table", "no/x.csv"), ("--table", "x.csv", "--firing-order", "1-1"),
                      ("--table", "x.csv", "--scheduler", "tcp://127.0.0.1:1", "--workers", "2")):
        done = in_process("batch", tmp_path / "a.csv", *arguments)
        assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (2, "", 1), done
    done = in_process("batch", "--table", "x.csv")
    assert done.returncode == 2
    assert in_process.left_behind() == []


def test_every_column_of_a_row_is_in_the_table(uneven_result) -> None:
    """What a result says grows; nothing of it may be left out of the table."""
    row = {"file": "a", "sha256": "0", "version": "1", "problem": None, **of_result(uneven_result)}
    row |= {"seconds": 1.0, "channels": "current A", "started_utc": None, "missing_samples": 0}
    assert set(row) == set(columns_of(cylinders_of(row)))
    for name, cell in row.items():
        kind = kind_of(name)
        assert cell is None or isinstance(cell, {"text": str, "whole": int, "number": float}[kind]), name


def test_a_scheduler_that_is_not_there_is_told_and_leaves_nothing(in_process, tmp_path: Path,
                                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    touch(tmp_path, "a.csv")
    monkeypatch.setattr(dask_cluster, "ANSWER_S", 0.3)
    done = in_process("batch", tmp_path / "a.csv", "--table", "x.csv", "--firing-order", "1-2", "--scheduler",
                      "tcp://127.0.0.1:1")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines()[-1].startswith("tcp://127.0.0.1:1: no scheduler answers there")
    assert in_process.left_behind() == []


@pytest.mark.parametrize(("package", "arguments"), [
    ("distributed", ("--table", "x.csv", "--scheduler", "tcp://127.0.0.1:1")), ("pyarrow", ("--table", "x.parquet"))])
def test_a_missing_package_is_named_with_its_extra(in_process, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                   package: str, arguments: tuple[str, ...]) -> None:
    touch(tmp_path, "a.csv")
    monkeypatch.setitem(sys.modules, package, None)
    done = in_process("batch", tmp_path / "a.csv", "--firing-order", "1-2", *arguments)
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert f"needs the package {package}: install crankfold[" in done.stderr
    assert in_process.left_behind() == []
