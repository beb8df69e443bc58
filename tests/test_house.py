"""The house is in order: packages, types, style, direction of imports, and what the README promises."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
ROOMS = ("acquire", "plugins", "analysis", "viewer")
PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))
BIN = Path(sys.executable).parent


def tracked(*patterns: str) -> list[str]:
    listing = subprocess.run(["git", "ls-files", "--cached", "--others", "--exclude-standard", *patterns],
                             cwd=TOP, capture_output=True, text=True, check=True)
    return listing.stdout.split("\n")[:-1]


def run(*command: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "NO_COLOR": "1", "COLUMNS": "160"}
    return subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False, env=environment)


def test_top_level_holds_what_the_card_says_and_nothing_else() -> None:
    top = {name.split("/")[0] for name in tracked()}
    visible = {name for name in top if not name.startswith(".")}
    assert visible == {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", *ROOMS, "tests",
                       "hardware_notes"}


def test_every_package_is_listed() -> None:
    found = {f"crankfold.{Path(name).parent.as_posix().replace('/', '.')}" for room in ROOMS
             for name in tracked(f"{room}/**/__init__.py", f"{room}/__init__.py")}
    assert set(PROJECT["tool"]["setuptools"]["packages"]) == found


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_is_typed_and_seen_by_the_type_checker(room: str) -> None:
    assert (TOP / room / "py.typed").is_file()
    assert (TOP / ".types" / "crankfold" / room).resolve() == TOP / room
    assert not (TOP / "crankfold").exists()


def test_every_entry_point_names_a_module() -> None:
    for module in PROJECT["project"]["entry-points"]["crankfold"].values():
        room, name = module.removeprefix("crankfold.").split(".", 1)
        assert (TOP / room / f"{name.replace('.', '/')}.py").is_file(), module


@pytest.mark.long
@pytest.mark.timeout(600)
def test_types() -> None:
    done = run(str(BIN / "mypy"))
    assert done.returncode == 0, done.stdout + done.stderr


def test_style() -> None:
    done = run(str(BIN / "ruff"), "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout + done.stderr


def test_imports_point_down() -> None:
    done = run(str(BIN / "lint-imports"), "--no-cache")
    assert done.returncode == 0, done.stdout + done.stderr


DOORS = sorted(path for room in ROOMS for path in (TOP / room).rglob("__init__.pyi"))


@pytest.mark.parametrize("door", DOORS, ids=lambda path: path.parent.relative_to(TOP).as_posix())
def test_a_door_offers_what_it_says_and_has_a_docstring(door: Path) -> None:
    name = "crankfold." + ".".join(door.parent.relative_to(TOP).parts)
    code = (f"import json, {name} as d; print(json.dumps([sorted(d.__all__), d.__doc__ or '',"
            "[n for n in d.__all__ if not hasattr(d, n)]]))")
    offered, words, missing = json.loads(run(sys.executable, "-c", code).stdout)
    stub = ast.parse(door.read_text(encoding="utf-8"))
    said = next(ast.literal_eval(node.value) for node in stub.body if isinstance(node, ast.Assign))
    imported = {alias.name for node in stub.body if isinstance(node, ast.ImportFrom) for alias in node.names}
    assert set(said) == set(offered) == imported
    assert not missing
    assert len(words) > 30


def test_the_version_can_be_read() -> None:
    done = run(sys.executable, "-c", "from crankfold.analysis import __version__; print(__version__)")
    assert done.stdout.strip() == PROJECT["project"]["version"]


def one_line_under(heading: str) -> str:
    text = (TOP / "README.md").read_text(encoding="utf-8")
    block = re.search(rf"^## {heading}\n.*?^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    assert block is not None, f"README has no sh block under {heading}"
    lines = block[1].strip().split("\n")
    assert len(lines) == 1, lines
    return lines[0]


def test_readme_tries_the_demo_in_one_line() -> None:
    assert one_line_under("Try it").endswith("crankfold demo")


def test_ci_runs_the_readme_test_line() -> None:
    assert "pytest" in one_line_under("Test it")
    assert "Test it" in (TOP / ".ci" / "run").read_text(encoding="utf-8")


def test_links_in_the_documents_lead_somewhere() -> None:
    broken = []
    for name in tracked("*.md"):
        text = (TOP / name).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
            if "://" not in target and not (TOP / name).parent.joinpath(target).exists():
                broken.append(f"{name}: {target}")
    assert not broken


def test_only_the_window_knows_qt() -> None:
    qt = re.compile(r"^\s*(?:from|import) (?:PySide6|pyqtgraph)", re.MULTILINE)
    guilty = [name for name in tracked("*.py") if not name.startswith(("viewer/window/", "tests/"))
              and qt.search((TOP / name).read_text(encoding="utf-8"))]
    assert not guilty


def test_nothing_posix_only_is_imported_at_the_top_of_a_module() -> None:
    guilty = [name for name in tracked("acquire/*.py", "plugins/*.py", "analysis/*.py", "viewer/*.py")
              if re.search(r"^(?:from|import) (?:termios|fcntl|pty|tty|pwd|grp|resource)\b",
                           (TOP / name).read_text(encoding="utf-8"), re.M)]
    assert not guilty


def test_importing_the_rooms_loads_nothing_heavy() -> None:
    code = ("import sys, json, crankfold.acquire, crankfold.analysis, crankfold.plugins, crankfold.viewer.command_line;"
            "print(json.dumps([m for m in ('scipy', 'numba', 'h5py', 'serial', 'usb', 'rich', 'PySide6')"
            " if m in sys.modules]))")
    done = run(sys.executable, "-c", code)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == []
