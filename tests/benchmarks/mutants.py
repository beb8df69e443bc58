"""Whether a module's tests can fail: how many of the changes that cosmic-ray makes to it they notice.

Needs cosmic-ray, which is no dependency of the project, and changes the module in place while it runs: use a clone of
its own with an environment of its own.

    python tests/benchmarks/mutants.py acquire/stream/ring.py -- tests/acquire/test_ring.py

A random sample of the mutants is tried, the same for the same seed. Changes to type annotations are left out, and so is
the star before keyword-only parameters, which is taken for a product: neither changes what the code does.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import shlex
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

PYTEST = "-x -q -p pytest_timeout -p _hypothesis_pytestplugin -p no:cacheprovider --hypothesis-seed=1"
CONFIG = """[cosmic-ray]
module-path = {module}
timeout = {timeout_s}
excluded-modules = []
test-command = {command}

[cosmic-ray.distributor]
name = "local"
"""
ENVIRONMENT = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1",  # else the byte code of one mutant passes for the next
               "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}  # which takes longer than the tests of a small module


def without_effect(source: str) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return where annotations, imports for type checkers, and the stars of signatures begin and end."""
    nodes: list[ast.AST] = []
    for node in ast.walk(ast.parse(source)):
        nodes += [part for name in ("annotation", "returns") if (part := getattr(node, name, None)) is not None]
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            nodes.append(node)
    stars = [((row, line.index("*, ")), (row, line.index("*, ") + 1))
             for row, line in enumerate(source.split("\n"), 1) if "*, " in line]
    return [((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset)) for n in nodes] + stars  # type: ignore[attr-defined]


def keep_sample(database: Path, source: str, count: int, seed: int) -> int:
    """Leave a random sample in the database and return how many mutants there were to choose from."""
    idle = without_effect(source)
    with sqlite3.connect(database) as open_database:
        made = open_database.execute(
            "select start_pos_row, start_pos_col, operator_name, occurrence, job_id from mutation_specs").fetchall()
        some = sorted(one for one in made if not any(begin <= one[:2] < end for begin, end in idle))
        random.seed(seed)
        kept = {one[-1] for one in random.sample(some, min(count, len(some)))}
        for *_, job in made:
            if job not in kept:
                open_database.execute("delete from mutation_specs where job_id = ?", (job,))
                open_database.execute("delete from work_items where job_id = ?", (job,))
    return len(some)


def survivors(database: Path) -> tuple[int, list[str]]:
    """Return how many mutants were tried, and what those that nobody noticed changed."""
    with sqlite3.connect(database) as open_database:
        tried = open_database.execute("select test_outcome, diff from work_results").fetchall()
    return len(tried), ["\n".join(line for line in diff.split("\n")[3:] if line.startswith(("@", "+", "-")))
                        for outcome, diff in tried if outcome == "SURVIVED"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("module", type=Path)
    parser.add_argument("tests", nargs="+", help="what to give to pytest")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--timeout-s", type=float, default=60.0)
    given = parser.parse_args()
    command = f"{shlex.quote(sys.executable)} -m pytest {PYTEST} {shlex.join(given.tests)}"
    subprocess.run(shlex.split(command), env=ENVIRONMENT, check=True, stdout=subprocess.DEVNULL)
    source = given.module.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        config, database = Path(folder, "mutants.toml"), Path(folder, "mutants.sqlite")
        config.write_text(CONFIG.format(module=json.dumps(str(given.module)), timeout_s=given.timeout_s,
                                        command=json.dumps(command)), encoding="utf-8")
        subprocess.run(["cosmic-ray", "init", config, database], env=ENVIRONMENT, check=True)
        made = keep_sample(database, source, given.count, given.seed)
        try:
            subprocess.run(["cosmic-ray", "exec", config, database], env=ENVIRONMENT, check=True)
        finally:
            given.module.write_text(source, encoding="utf-8")
        tried, left = survivors(database)
    print(f"{given.module}: {tried - len(left)} of {tried} noticed, drawn from {made}")
    print("\n\n".join(left))


if __name__ == "__main__":
    main()
