"""Prints how the house is built: modules, folders, imports, doors. `python tests/benchmarks/house.py [TREE]`."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOMS = ("acquire", "analysis", "plugins", "viewer")
ONE_CSV = """
import sys, subprocess
from crankfold.viewer.command_line import main
sys.argv = ["crankfold", "analyse", sys.argv[1], "--firing-order", "1-3-4-2", "--json", sys.argv[2]]
try:
    main()
except SystemExit:
    pass
print(sum(m.startswith("crankfold.") for m in sys.modules), file=sys.__stdout__)
"""


def name_of(path: Path, top: Path) -> str:
    return "crankfold." + ".".join(path.relative_to(top).with_suffix("").parts).removesuffix(".__init__")


def imports(path: Path) -> Iterator[tuple[ast.ImportFrom, bool]]:
    """Yield imports of our own, and whether each stands inside a function."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {id(node) for function in ast.walk(tree) if isinstance(function, (ast.FunctionDef, ast.AsyncFunctionDef))
              for node in ast.walk(function)}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("crankfold"):
            yield node, id(node) in inside


def doors(top: Path, packages: set[str]) -> dict[tuple[str, str], str]:
    """Return which module each name that a door offers comes from."""
    found = {}
    for package in packages:
        stub = top.joinpath(*package.split(".")[1:], "__init__.pyi")
        for node in ast.parse(stub.read_text(encoding="utf-8")).body if stub.is_file() else ():
            if isinstance(node, ast.ImportFrom):
                base = package if node.level else ""
                for alias in node.names:
                    found[package, alias.asname or alias.name] = ".".join(filter(None, (base, node.module)))
    return found


def single_importers(files: list[Path], top: Path, modules: set[str], packages: set[str]) -> tuple[int, int]:
    """Return how many modules only one other imports, itself or through doors; and how many from its own folder."""
    offered = doors(top, packages)
    importers: dict[str, set[str]] = defaultdict(set)
    for path in files:
        for node, _ in imports(path):
            for alias in node.names:
                whole, source = f"{node.module}.{alias.name}", str(node.module)
                if whole in modules - packages:
                    source = whole
                while (source, alias.name) in offered:
                    source = offered[source, alias.name]
                importers[source].add(name_of(path, top))
    single = {name: next(iter(by)) for name, by in importers.items() if name in modules - packages and len(by) == 1}
    return len(single), sum(a.rpartition(".")[0] == b.rpartition(".")[0] for a, b in single.items())


def share_through_doors(top: Path, modules: set[str], packages: set[str]) -> float:
    """Return the share of names that tests import from a folder's `__init__`, not from a module."""
    counted: Counter[bool] = Counter()
    for path in (top / "tests").rglob("*.py"):
        for node, _ in imports(path):
            for alias in node.names:
                below = node.module not in packages or f"{node.module}.{alias.name}" in modules - packages
                counted[not below] += 1
    return counted[True] / max(1, counted.total())


def loaded_for_one_csv(top: Path) -> str:
    csv, out = Path("/tmp/house-one.csv"), Path("/tmp/house-one.json")
    csv.write_text("time,current\n" + "".join(f"{k / 1000},{100 + k % 7}\n" for k in range(3000)))
    done = subprocess.run([sys.executable, "-c", ONE_CSV, str(csv), str(out)], capture_output=True, text=True,
                          cwd="/", check=False)
    return done.stdout.strip().split("\n")[-1]


def main() -> None:
    """Print one line a figure."""
    top = Path(sys.argv[1] if len(sys.argv) > 1 else ".").resolve()
    files = [p for room in ROOMS for p in sorted((top / room).rglob("*.py")) if "training" not in p.parts]
    modules = {name_of(p, top) for p in files}
    packages = {name_of(p, top) for p in files if p.name == "__init__.py"}
    local = sum(inside for path in files for _, inside in imports(path))
    plain = [p for p in files if p.name != "__init__.py"]
    folders = Counter(p.parent for p in plain)
    single, beside = single_importers(files, top, modules, packages)
    print(f"modules {len(plain)}, folders {len(folders)}, largest folder {max(folders.values())}, "
          f"modules a folder {len(plain) / len(folders):.1f}")
    print(f"modules with one importer: {single}, {beside} of them in its own folder; imports of ours inside functions: "
          f"{local}")
    print(f"lines {sum(p.read_text(encoding='utf-8').count(chr(10)) for p in files)}, without training")
    print(f"names that tests import through doors: {100 * share_through_doors(top, modules, packages):.0f} %")
    print(f"modules of ours loaded for one CSV: {loaded_for_one_csv(top)}")


if __name__ == "__main__":
    main()
