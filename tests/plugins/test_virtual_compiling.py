"""The compiled equations where what was kept is damaged, or nothing can be kept: compiled again, never an error."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from crankfold.plugins.virtual import compiling

KERNEL = """
from crankfold.plugins.virtual.compiling import compiled

@compiled
def twice(x):
    return 2.0 * x

@compiled
def four_times(x):
    return twice(twice(x))
"""

PROGRAM = """
import importlib.util, os, sys
from pathlib import Path

def fresh():
    spec = importlib.util.spec_from_file_location("kernel", sys.argv[1])
    kernel = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(kernel)
    return kernel.four_times(10.5)

kept = Path(sys.argv[2])
print(fresh(), len(list(kept.rglob("*.nb?"))))
for pattern in ("*.nbi", "*.nbc", "*.nb?"):
    for size in (0, 100):
        for file in kept.rglob(pattern):
            file.write_bytes(file.read_bytes()[:size])
        print(fresh(), fresh(), min(file.stat().st_size for file in kept.rglob("*.nb?")) > 100)
for file in kept.rglob("*.nbi"):
    file.write_bytes(b"not an index of anything")
print(fresh())
"""


def run(*arguments: object, **places: str) -> list[str]:
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"} | places
    done = subprocess.run([sys.executable, "-c", PROGRAM, *map(str, arguments)], capture_output=True, text=True,
                          env=environment, timeout=50, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.fixture
def kernel(tmp_path: Path) -> Path:
    path = tmp_path / "kernel.py"
    path.write_text(KERNEL)
    return path


def test_what_was_kept_and_is_damaged_is_compiled_and_kept_again(kernel: Path, tmp_path: Path) -> None:
    """Index, code, and both, cut to nothing and to a hundred bytes."""
    said = run(kernel, tmp_path / "kept", NUMBA_CACHE_DIR=str(tmp_path / "kept"))
    assert said == ["42.0 4", *["42.0 42.0 True"] * 6, "42.0"]


def test_without_a_place_to_keep_it_everything_is_compiled_in_memory(kernel: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder is looked for, which stops root too")
    (tmp_path / "__pycache__").write_text("the same beside the module")
    places = {name: str(blocked / "inside") for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA")}
    program = "import runpy, sys; print(runpy.run_path(sys.argv[1])['four_times'](10.5))"
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"} | places
    done = subprocess.run([sys.executable, "-c", program, kernel], capture_output=True, text=True, env=environment,
                          timeout=50, check=False)
    assert (done.returncode, done.stdout) == (0, "42.0\n"), done.stderr


def test_a_full_disk_costs_only_what_would_have_been_kept() -> None:
    class Full:
        def save_overload(self, signature: object, data: object) -> None:
            raise OSError(28, "No space left on device")

        def flush(self) -> None:
            raise PermissionError(13, "another program has it open")

        def load_overload(self, signature: object, context: object) -> None:
            raise EOFError

        cache_path = "there"

    store = compiling._Forgiving(Full())
    store.save_overload("f8", b"code")
    assert store.load_overload("f8", None) is None
    assert store.cache_path == "there"
