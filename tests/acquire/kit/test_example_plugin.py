"""The example plugin: built, installed into an environment of its own, discovered, streamed, put through the kit."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[3] / "hardware_notes" / "example_plugin"

STREAM = """
import json
from crankfold.acquire.opening import open_board
from crankfold.acquire.registry import load_plugins

plugins = load_plugins(strict=True)
declaration = plugins.boards["tick-board"].declaration
found = [board.address for board in declaration.discover(1.0)]
codes, lost = [], 0
with open_board("tick-board:" + found[0], {"rate": "4000"}, plugins) as source:
    source.start()
    while len(codes) < 2000:
        block = source.read(0.1)
        if block is not None:
            codes += block.codes[:, 0].tolist()
            lost += block.lost_before
    print(json.dumps({"found": found, "codes": codes[:2000], "lost": lost, "rate": source.info.rate_hz,
                      "package": plugins.boards["tick-board"].plugin.distribution}))
"""


def run(*command: str | Path, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k not in {"PYTHONPATH", "PYTEST_ADDOPTS"}}
    done = subprocess.run([str(part) for part in command], cwd=folder, capture_output=True, text=True,
                          check=False, env={**environment, "PIP_DISABLE_PIP_VERSION_CHECK": "1", "PIP_NO_INDEX": "1"})
    assert done.returncode == 0, done.stdout + done.stderr
    return done


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the python of a fresh environment with the plugin in it, and the folder with a copy of its sources.

    What this environment has (numpy, crankfold itself) is lent to the fresh one, so that nothing is downloaded.
    """
    folder = tmp_path_factory.mktemp("example")
    venv.create(folder / "venv", with_pip=False)
    scripts = folder / "venv" / ("Scripts" if os.name == "nt" else "bin")
    python = scripts / ("python.exe" if os.name == "nt" else "python")
    fresh = sysconfig.get_path("purelib", "venv", {"base": str(folder / "venv")})
    Path(fresh, "lent.pth").write_text(f"import site; site.addsitedir({sysconfig.get_path('purelib')!r})\n")
    left_out = shutil.ignore_patterns("__pycache__", "build", "*.egg-info")
    sources = shutil.copytree(EXAMPLE, folder / "sources", ignore=left_out)
    run(sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-build-isolation", "--no-deps", ".",
        folder=sources)
    return python, sources


def test_it_is_installed_discovered_and_streams(installed: tuple[Path, Path]) -> None:
    python, sources = installed
    where = run(python, "-c", "import tick_board; print(tick_board.__file__)", folder=sources.parent).stdout
    assert str(sources.parent / "venv") in where
    said = json.loads(run(python, "-c", STREAM, folder=sources.parent).stdout)
    assert said["package"] == "crankfold-tick-board"
    assert said["found"] == ["TICK-1"]
    assert said["codes"] == [i % 1024 for i in range(2000)]
    assert (said["lost"], said["rate"]) == (0, 4000.0)


def test_its_two_line_tests_pass(installed: tuple[Path, Path]) -> None:
    python, sources = installed
    done = run(python, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_tick_board.py", folder=sources)
    assert re.search(r"^35 passed", done.stdout, re.MULTILINE), done.stdout


def test_it_stays_small() -> None:
    lines = [line for line in (EXAMPLE / "tick_board.py").read_text(encoding="utf-8").split("\n") if line.strip()]
    imports = [line for line in lines if re.match(r"(from|import) ", line)]
    assert len(lines) - len(imports) <= 45
    tests = (EXAMPLE / "test_tick_board.py").read_text(encoding="utf-8")
    for body in tests.split("\n\n\n")[1:]:
        assert len([line for line in body.split("\n") if line.strip() and '"""' not in line]) == 2
