"""The same input and version give the same bytes, from one process to the next and whatever the hash seed."""

from __future__ import annotations

import hashlib
from pathlib import Path

ABOUT = ("--firing-order", "1-3-4-2", "--sync", "waste-spark:1")


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_two_processes_say_the_same_to_the_byte(crankfold_in, dead_csv: Path, tmp_path: Path) -> None:
    """Result, picture and export, with other hash seeds and another number of threads."""
    found = []
    for number, count in enumerate(("1", "2")):
        folder = tmp_path / str(number)
        folder.mkdir()
        run = crankfold_in(folder)
        run.environment |= {"PYTHONHASHSEED": str(number), "OMP_NUM_THREADS": count, "OPENBLAS_NUM_THREADS": count}
        done = run("analyse", dead_csv, *ABOUT, "--json", "result.json", "--picture", "picture.png")
        assert done.returncode == 0, done.stderr
        assert run("export", dead_csv, "out.parquet").returncode == 0
        found.append(digests(folder))
    assert sorted(found[0]) == ["out.parquet", "picture.png", "result.json"]
    assert found[0] == found[1]
