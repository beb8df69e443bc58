"""The table of budgets: its command prints one, and on a machine with nothing else to do every row is within."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

TABLE = Path(__file__).with_name("table.py")


def test_one_row_of_the_table_by_its_command() -> None:
    done = subprocess.run([sys.executable, TABLE, "--only", "memory"], capture_output=True, text=True, check=False)
    lines = done.stdout.splitlines()
    assert len(lines) == 3, done.stderr
    assert lines[1] == "|---|---|---|---|---|"
    assert lines[2].startswith("| memory over ")
    assert done.returncode == (not lines[2].endswith("| within |"))


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_every_budget_is_kept() -> None:
    done = subprocess.run([sys.executable, TABLE], capture_output=True, text=True, check=False)
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr
