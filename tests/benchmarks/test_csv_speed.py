"""Speed and memory of the CSV reader, as ratios to ``numpy.loadtxt`` in the same run."""

from __future__ import annotations

import gzip
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from crankfold.plugins.tables.csv_reader import open_csv

ROWS = 2_000_000
REPEATS = 3

MEASURE = """
import re, resource, sys
from pathlib import Path
from crankfold.plugins.tables.csv_reader import open_csv
with open_csv(Path(sys.argv[1]), {}) as source:
    source.start()
    while not source.finished:
        source.read(0.1)
status = Path("/proc/self/status")  # where there is one: the other figure includes what the parent used
print(int(re.search(r"VmHWM:\\s+(\\d+)", status.read_text())[1]) / 1024 if status.exists() else
      resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def write_table(path: Path, rows: int) -> None:
    draw = np.random.default_rng(1)
    tails = [f",{a:.6g},{b:.6g}\n" for a, b in zip(draw.normal(scale=0.1, size=100_000), draw.normal(size=100_000),
                                                   strict=True)]
    with path.open("w") as file:
        file.write("Time (s),Clamp (V),Sync (V)\n")
        for start in range(0, rows, len(tails)):
            file.write("".join(f"{(start + i) / 25000:.5f}{tail}" for i, tail in enumerate(tails)))


def read_all(path: Path) -> int:
    count = 0
    with open_csv(path, {}) as source:
        source.start()
        while not source.finished:
            block = source.read(0.1)
            count += 0 if block is None else len(block.codes)
    return count


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_speed_against_loadtxt_and_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    write_table(path, ROWS)
    best = {"ours": float("inf"), "loadtxt": float("inf")}
    for _ in range(REPEATS):
        began = time.process_time()
        assert read_all(path) == ROWS
        best["ours"] = min(best["ours"], time.process_time() - began)
        began = time.process_time()
        assert len(np.loadtxt(path, delimiter=",", skiprows=1)) == ROWS
        best["loadtxt"] = min(best["loadtxt"], time.process_time() - began)
    memory_mb = float(subprocess.run([sys.executable, "-c", MEASURE, path], capture_output=True, text=True,
                                     check=True).stdout)
    print(f"CSV: {ROWS / best['ours'] / 1e6:.1f} million rows a second, {best['ours'] / best['loadtxt']:.2f} times as "
          f"long as numpy.loadtxt, {memory_mb:.0f} MB")
    assert best["ours"] <= 1.5 * best["loadtxt"]
    assert memory_mb <= 200


@pytest.mark.slow
def test_a_capture_of_five_seconds_is_read_at_once(tmp_path: Path) -> None:
    path = tmp_path / "short.csv.gz"
    lines = (f"{i / 10000:.4f},{i % 97 / 50:.4f},{i % 7 / 9:.4f}" for i in range(50_000))
    path.write_bytes(gzip.compress(("Time (s),Clamp (V),Sync (V)\n" + "\n".join(lines)).encode()))
    times = []
    for _ in range(5):
        began = time.process_time()
        assert read_all(path) == 50_000
        times.append(time.process_time() - began)
    print(f"CSV: 5 s of 10,000 samples a second, gzipped: {min(times) * 1e3:.0f} ms")
    assert min(times) < 0.15
