"""Many captures into one table: the same bytes whatever the order, the workers, or how often the run was cut off."""

from __future__ import annotations

import csv
import io
import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from pyarrow import parquet

from crankfold.acquire import save_capture
from crankfold.viewer.batch import columns_of, write_table

ABOUT = ("--firing-order", "1-3-4-2", "--sync", "waste-spark:1")
SHORT = 24



@pytest.fixture
def crankfold(crankfold_in, tmp_path: Path):
    folder = tmp_path / "here"
    folder.mkdir()
    return crankfold_in(folder)


def fill(folder: Path, captures, count: int) -> Path:
    """Write so many captures, each a little different, in two subfolders, and beside them what is no capture."""
    for k in range(count):
        capture = captures[k % len(captures)]
        place = folder / ("pump" if k % 2 else "launch")
        place.mkdir(parents=True, exist_ok=True)
        scaled = capture.rescaled("current", 1.0 + 0.001 * k, "A")
        save_capture(replace(scaled, notes={"number": str(k)}), place / f"crank-{k:04d}.h5")
    (folder / "readme.md").write_text("not a capture")
    (folder / "launch" / "torn.h5").write_bytes(b"\x89HDF\r\n\x1a\n torn")
    (folder / "pump" / "crank-0001.toml").write_text('sync = "none"\n')
    return folder


@pytest.fixture(scope="module")
def fleet(tmp_path_factory, dead_three, healthy) -> Path:
    return fill(tmp_path_factory.mktemp("fleet"), (dead_three, healthy), SHORT)


@pytest.fixture(scope="module")
def reference(fleet: Path, tmp_path_factory, crankfold_in) -> Path:
    """The table by one worker, undisturbed."""
    folder = tmp_path_factory.mktemp("reference")
    command = crankfold_in(folder)
    done = command("batch", fleet, "--table", "one.csv", "--workers", 1, *ABOUT, "--picture", "fleet.svg")
    assert done.returncode == 4, done.stderr  # one is torn
    assert done.stdout.startswith(f"{SHORT + 1} captures: 12 even, 12 uneven, 0 without a verdict, 1 unreadable.")
    assert sorted(p.name for p in folder.iterdir()) == ["fleet.svg", "one.csv"]
    return folder / "one.csv"


def rows_of(table: Path) -> list[dict[str, str]]:
    with table.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_row_a_capture_with_all_of_the_result(fleet: Path, reference: Path, crankfold) -> None:
    rows = rows_of(reference)
    assert [row["file"] for row in rows] == sorted(p.as_posix() for p in fleet.rglob("*.h5"))
    torn = rows[[row["file"].endswith("torn.h5") for row in rows].index(True)]
    assert (torn["verdict"], len(torn["sha256"]), torn["position_1_state"]) == ("", 64, "")
    assert "damaged" in torn["problem"]
    row = rows[0]
    done = crankfold("analyse", row["file"], *ABOUT, "--json", "-")
    result = json.loads(done.stdout)
    assert (row["verdict"], row["headline"], row["low"]) == (result["verdict"], result["headline"], "3")
    for cylinder in result["cylinders"]:
        about = f"position_{cylinder['position']}_"
        assert float(row[about + "relative_percent"]) == cylinder["relative_percent"]
        ends = [float(row[about + "low_end_percent"]), float(row[about + "high_end_percent"])]
        assert ends == cylinder["interval_percent"]
        assert (int(row[about + "cylinder"]), row[about + "state"]) == (cylinder["cylinder"], cylinder["state"])
    assert float(row["rpm"]) == result["cranking"]["rpm"]
    shown = subprocess.run(["sha256sum", row["file"]], capture_output=True, text=True, check=True)
    assert row["sha256"] == shown.stdout.split()[0]


def test_what_lies_beside_a_capture_goes_before_the_command(reference: Path) -> None:
    named = {Path(row["file"]).name: row["sync"] for row in rows_of(reference)}
    assert named["crank-0000.h5"] == "waste-spark"
    assert named["crank-0001.h5"] == ""


def test_the_picture_of_the_fleet_tells_the_verdicts(reference: Path) -> None:
    text = reference.with_name("fleet.svg").read_text(encoding="utf-8")
    assert "24 of 25 captures analysed: 12 are uneven." in text
    assert "url(#hatch0)" in text
    assert "Cylinder 3 has no compression." in text


def test_two_workers_in_another_order_give_the_same(fleet: Path, reference: Path, crankfold) -> None:
    files = sorted(fleet.rglob("*.h5"), reverse=True)
    done = crankfold("batch", *files[:5], fleet, "--table", "two.csv", "--workers", 2, *ABOUT)
    assert done.returncode == 4, done.stderr  # one is torn
    assert (crankfold.folder / "two.csv").read_bytes() == reference.read_bytes()
    assert crankfold.left_behind() == ["two.csv"]


def wait_for_rows(journal: Path, least: int, patience_s: float = 90.0) -> None:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if journal.exists() and journal.read_bytes().count(b'"row"') >= least:
            return
        time.sleep(0.01)
    raise AssertionError("no row was journalled in time")


def children_of(pid: int) -> list[int]:
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[1]) == pid:
            found.append(int(status.parent.name))
    return found


def test_cut_off_twice_and_resumed(fleet: Path, reference: Path, crankfold) -> None:
    """Killed in the middle, stopped by Ctrl-C in the middle of the rest, and then left to finish."""
    command = [crankfold.command, "batch", str(fleet), "--table", "out.csv", "--workers", "1", *ABOUT]
    journal, kept = crankfold.folder / "out.csv.journal", 0
    for blow, status in ((signal.SIGKILL, -9), (signal.SIGINT, 130)):
        running = subprocess.Popen(command, cwd=crankfold.folder, env=crankfold.environment, text=True,
                                   stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        wait_for_rows(journal, kept + 2)
        workers = children_of(running.pid)
        assert workers
        running.send_signal(blow)
        _, said = running.communicate()
        assert running.returncode == status
        wait_until_gone(workers)
        before, kept = kept, journal.read_bytes().count(b'"row"')
        assert before < kept < SHORT + 1
        with journal.open("ab") as file:
            file.write(b'{"key": "cut o')
    assert f"{kept} of {SHORT + 1} captures are analysed and saved" in said
    done = crankfold(*command[1:])
    assert done.returncode == 4, done.stderr  # one is torn
    assert (crankfold.folder / "out.csv").read_bytes() == reference.read_bytes()
    assert crankfold.left_behind() == ["out.csv"]


def wait_until_gone(workers: list[int]) -> None:
    until = time.monotonic() + 30.0
    while any(Path(f"/proc/{worker}").exists() for worker in workers):
        assert time.monotonic() < until, "a worker outlived its parent"
        time.sleep(0.05)


@pytest.mark.filterwarnings("ignore")
def test_a_dask_cluster_gives_the_identical_table(fleet: Path, reference: Path, crankfold) -> None:
    """As Parquet, which pyarrow reads back to the very rows of the CSV; the cluster has no worker at first."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=0, threads_per_worker=1, processes=False, host="127.0.0.1", protocol="tcp://",
                      dashboard_address=None) as cluster:
        assert cluster.scheduler_address.startswith("tcp://127.0.0.1:")
        running = subprocess.Popen(
            [crankfold.command, "batch", fleet, "--table", "dask.parquet", "--scheduler", cluster.scheduler_address,
             *ABOUT], cwd=crankfold.folder, env=crankfold.environment, stderr=subprocess.PIPE, text=True)
        assert running.stderr is not None
        assert "the scheduler has no workers yet; waiting" in running.stderr.readline()
        cluster.scale(1)
        _, said = running.communicate()
    assert (running.returncode, said) == (4, "")  # one is torn
    table = parquet.read_table(crankfold.folder / "dask.parquet")
    same = io.BytesIO()
    write_table(same, table.to_pylist(), columns_of(4), ".csv")
    assert same.getvalue() == reference.read_bytes()
    assert str(table.schema.field("position_1_cylinder").type) == "int64"
    frame = pd.read_parquet(crankfold.folder / "dask.parquet")
    assert (frame["verdict"].isna().sum(), frame["position_2_state"].eq("dead").sum()) == (1, 12)


SPIN = """
import sys, time
end, done = time.perf_counter() + float(sys.argv[1]), 0
while time.perf_counter() < end:
    done += sum(range(1000)) > 0
print(done)
"""


def gain_of_two(seconds: float = 4.0) -> float:
    """Return how many times as much two plain busy processes get done as one, on this machine as it is just now."""
    done = []
    for count in (1, 2):
        running = [subprocess.Popen([sys.executable, "-c", SPIN, str(seconds)], stdout=subprocess.PIPE, text=True)
                   for _ in range(count)]
        done.append(sum(int(each.communicate()[0]) for each in running))
    return done[1] / done[0]


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_two_thousand_captures(tmp_path: Path, dead_three, healthy, crankfold_in) -> None:
    """Two workers gain what two processes can gain here (two, on idle processors) but for a tenth; then a run killed.

    The tables are the same to the byte.
    """
    fleet = fill(tmp_path / "fleet", (dead_three, healthy), 2000)
    command, taken, gains = crankfold_in(tmp_path), {}, [gain_of_two()]
    for workers in (1, 2):
        began = time.monotonic()
        done = command("batch", fleet, "--table", f"{workers}.parquet", "--workers", workers, *ABOUT)
        taken[workers] = time.monotonic() - began
        assert done.returncode == 4, done.stderr  # one is torn
        gains.append(gain_of_two())
    running = subprocess.Popen([command.command, "batch", fleet, "--table", "3.parquet", *ABOUT], cwd=tmp_path,
                               env=command.environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    wait_for_rows(tmp_path / "3.parquet.journal", 1000, patience_s=1500)
    running.kill()
    running.communicate()
    assert command("batch", fleet, "--table", "3.parquet", *ABOUT).returncode == 4
    gain, possible = taken[1] / taken[2], sum(gains) / len(gains)
    print(f"2,000 captures: {taken[1]:.1f} s by one worker, {taken[2]:.1f} s by two: {gain:.2f} x where two plain "
          f"processes gain {possible:.2f} x")
    tables = {(tmp_path / f"{name}.parquet").read_bytes() for name in (1, 2, 3)}
    assert len(tables) == 1
    assert gain >= min(1.8, 0.9 * possible)
