"""A batch at scale: memory against rows, and a Dask cluster that grows from none to four workers and shrinks again.

    python tests/benchmarks/batch_scale.py rows 1000 10000 100000
    python tests/benchmarks/batch_scale.py cluster 400
    python tests/benchmarks/batch_scale.py scheduler 200

`rows` keeps the analysis out: each capture is a file of one line, each answer a whole row of a four-cylinder engine,
and all else is as `crankfold batch` does it. Every figure is of a process of its own. `cluster` and `scheduler` analyse
captures of the virtual engine; there, workers are started and ended meanwhile, here, the scheduler is killed.
"""

from __future__ import annotations

import resource
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from crankfold.acquire import load_plugins, open_board, record, save_capture
from crankfold.viewer import command_line
from crankfold.viewer.batch import Answer, Job, runner
from crankfold.viewer.batch.runner import Crew
from crankfold.viewer.batch.work import judge_job

FILES_A_FOLDER = 1000
COMMAND = str(Path(sys.executable).with_name("crankfold"))
KINDS = ("folder", "file.parquet", "file.csv")


@cache
def whole_row() -> dict[str, object]:
    """Return a real row of a four-cylinder engine."""
    from crankfold.viewer.batch import Planner

    with tempfile.TemporaryDirectory() as folder:
        make_captures(Path(folder), 1)
        options = {"firing_order": "1-3-4-2", "intervals": None, "strokes": None, "engine_name": "", "engine": None,
                   "rig": None, "clamp": None, "probe": None, "sync": None, "gauge": None, "misfire_codes": (),
                   "low": None, "dead": None, "watch": None}
        (job,) = Planner(options, {}, load_plugins(), "1").jobs([folder])
        return judge_job(job).row


def cheap(jobs: list[Job], language: str | None) -> list[Answer]:
    """Stand in for the analysis: the same row under each name."""
    return [Answer({**whole_row(), "file": job.shown, "sha256": job.key}) for job in jobs]


@contextmanager
def threads(count: int) -> Iterator[Crew]:
    with ThreadPoolExecutor(count) as pool:
        yield Crew(pool, lambda: count, lambda: None)


def one(count: int, kind: str, folder: Path) -> None:
    """Run the batch in this process and print what it took."""
    import crankfold.viewer.batch as door

    whole_row()
    runner.judge_chunk = cheap
    door.processes = threads
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.perf_counter()
    status = command_line.run(["batch", str(folder / "captures"), "--firing-order", "1-3-4-2", "--workers", "2",
                               "--table", str(folder / kind)])
    took = time.perf_counter() - began
    assert status == 0, status
    after_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    size = sum(p.stat().st_size for p in [folder / kind, *(folder / kind).rglob("*")] if p.is_file())
    print(f"| {count} | {kind} | {before_kb / 1024:.0f} MB | {after_kb / 1024:.0f} MB | {took / count * 1e3:.2f} ms | "
          f"{size / 1e6:.1f} MB |", flush=True)


def rows(counts: list[int]) -> None:
    print("| captures | table | most memory before the batch | with it | time a row | table's size |")
    print("|---|---|---|---|---|---|")
    for count in counts:
        with tempfile.TemporaryDirectory() as name:
            for k in range(count):
                place = Path(name) / "captures" / f"{k // FILES_A_FOLDER:04d}"
                place.mkdir(parents=True, exist_ok=True)
                (place / f"crank-{k:07d}.csv").write_text("1,2\n")
            for kind in KINDS:
                subprocess.run([sys.executable, __file__, "one", str(count), kind, name], check=True)


def make_captures(folder: Path, count: int) -> None:
    """Write captures of a virtual engine, each a little different."""
    settings = {"engine": "pump", "dead": "3", "pace": "flat", "quiet": "0.6", "after": "0.3", "crank": "3",
                "rate": "2000"}
    (capture,) = record(open_board("virtual", settings, load_plugins()))
    for k in range(count):
        save_capture(capture.rescaled("current", 1.0 + 0.0001 * k, "A"), folder / f"crank-{k:05d}.h5")


def cluster(count: int) -> None:
    """None, then four workers, then one: how many rows there were at each moment, and that each came once."""
    from distributed import LocalCluster

    with tempfile.TemporaryDirectory() as name, LocalCluster(
            n_workers=0, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as workers:
        (Path(name) / "captures").mkdir()
        make_captures(Path(name) / "captures", count)
        table = Path(name) / "table.csv"
        command = [COMMAND, "batch", f"{name}/captures", "--firing-order",
                   "1-3-4-2", "--table", str(table), "--scheduler", workers.scheduler_address]
        running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert running.stderr is not None
        print("no workers:", running.stderr.readline().strip(), flush=True)
        journal, began = table.with_name("table.csv.journal"), time.perf_counter()
        for share, now in ((0.0, 4), (0.3, 1), (0.6, 3), (1.0, 3)):
            while running.poll() is None and done(journal) < share * count:
                time.sleep(0.05)
            print(f"{time.perf_counter() - began:6.1f} s: {done(journal)} rows, from here on {now} workers", flush=True)
            workers.scale(now)
            if share == 1.0:
                break
        out, err = running.communicate()
        print(f"status {running.returncode}: {out.strip()}\n{err.strip()}")
        lines = table.read_text().splitlines()
        assert len(lines) == len(set(lines)) == count + 1


def scheduler(count: int) -> None:
    """The scheduler killed when a third is done, a new one started with new workers: what was lost is done again."""
    with tempfile.TemporaryDirectory() as name, socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        free.close()
        (Path(name) / "captures").mkdir()
        make_captures(Path(name) / "captures", count)
        table, address = Path(name) / "table.csv", f"tcp://127.0.0.1:{port}"
        journal, served = table.with_name("table.csv.journal"), serve(port, address)
        running = subprocess.Popen([COMMAND, "batch", f"{name}/captures", "--firing-order", "1-3-4-2", "--table",
                                    str(table), "--scheduler", address], stderr=subprocess.PIPE, text=True)
        while done(journal) < count / 3:
            time.sleep(0.05)
        served[0].kill()
        print(f"{done(journal)} rows: killed the scheduler", flush=True)
        assert running.stderr is not None
        print("first it said:", running.stderr.readline().strip(), flush=True)
        for each in served:
            each.kill()
            each.wait()
        served = serve(port, address)
        print(f"and what it said after that: {running.stderr.read().strip()!r}")
        for each in served:
            each.kill()
            each.wait()
        lines = table.read_text().splitlines()
        assert running.wait() == 0
        assert len(lines) == len(set(lines)) == count + 1


def serve(port: int, address: str) -> list[subprocess.Popen[bytes]]:
    """Start a scheduler and two workers."""
    dask = [sys.executable, "-m", "dask"]
    commands = [[*dask, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"],
                *[[*dask, "worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"] for _ in range(2)]]
    return [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for command in commands]


def done(journal: Path) -> int:
    try:
        return journal.read_bytes().count(b'"row"')
    except FileNotFoundError:
        return 0


if __name__ == "__main__":
    what, *numbers = sys.argv[1:]
    if what == "one":
        one(int(numbers[0]), numbers[1], Path(numbers[2]))
    elif what == "rows":
        rows([int(number) for number in numbers])
    else:
        {"cluster": cluster, "scheduler": scheduler}[what](int(numbers[0]))
