"""A plugin runs with all rights of whoever runs it: where it comes from is shown, and foreign ones can be left out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from crankfold.acquire import load_plugins

FOREIGN = """
import os, pathlib
from crankfold.acquire.declarations import BoardDeclaration
from crankfold.acquire.hooks import hookimpl
pathlib.Path(os.environ["CRANKFOLD_TEST_TRACE"]).touch()
crankfold_contract = 1

@hookimpl
def crankfold_boards():
    return [BoardDeclaration("quay", "The quay's board", lambda address, settings: None, lambda deadline_s: ())]
"""


@pytest.fixture
def foreign(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], bool]:
    """Install a plugin of somebody else for the programs that the test starts; say whether it has run."""
    place, trace = tmp_path / "installed", tmp_path / "it-ran"
    info = place / "quay_board-2.5.dist-info"
    info.mkdir(parents=True)
    (place / "quay_board.py").write_text(FOREIGN, encoding="utf-8")
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: quay-board\nVersion: 2.5\n", encoding="utf-8")
    (info / "entry_points.txt").write_text("[crankfold]\nquay = quay_board\n", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(place))
    monkeypatch.setenv("CRANKFOLD_TEST_TRACE", str(trace))
    return trace.exists


def test_what_is_loaded_is_shown_with_package_version_and_file(foreign, crankfold) -> None:
    done = crankfold("plugins")
    assert done.returncode == 0
    assert "quay (quay-board 2.5)" in done.stdout
    assert str(Path("installed") / "quay_board.py") in done.stdout.replace("\n", "")
    assert foreign()


def test_foreign_plugins_can_be_left_out_and_then_never_run(foreign, crankfold) -> None:
    done = crankfold("--no-plugins", "plugins")
    assert done.returncode == 0
    assert "quay" not in done.stdout
    assert "virtual (crankfold " in done.stdout
    assert not foreign()


def test_it_holds_for_the_processes_of_a_batch_too(foreign, crankfold, even_csv) -> None:
    done = crankfold("--no-plugins", "batch", even_csv, "--firing-order", "1-3-4-2", "--workers", "2",
                     "--table", "table.csv")
    assert done.returncode == 0, done.stderr
    assert not foreign()


def test_leaving_them_out_is_an_argument(foreign) -> None:
    assert all(origin.own for origin in load_plugins(enabled=False).loaded)
    assert load_plugins(enabled=False).only_own
    assert not load_plugins().only_own
