"""The table by sets: folders of captures with their truth, and the generator's own, judged and counted alike."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

import make_captures as maker
import sets


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    assert maker.main([str(tmp_path / "shed"), "--count", "2", "--family", "noverdict", "--seed", "15"]) == 0
    return tmp_path / "shed"


def test_a_folder_is_judged_as_its_captures_are_by_themselves(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = sets.main([f"kept={folder}", "--own", "2", "--family", "noverdict", "--seed", "15", "--each"])
    printed = capsys.readouterr().out
    lines = {line.split(" | ")[0].strip("| "): line for line in printed.splitlines() if line.startswith("|")}
    kept, own = (lines[name].split(" | ")[1:] for name in ("kept", "own: noverdict"))
    assert kept == own
    assert status in (0, 1)  # one where a verdict is given that none deserves
    assert "`python tests/benchmarks/sets.py kept=shed --own 2" in printed  # no place of this machine in it


def test_captures_of_one_engine_count_as_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for card in folder.glob("*.json"):
        told = json.loads(card.read_text())
        card.write_text(json.dumps(told | {"about": told["about"] | {"engine": "the shed's"}}))
    sets.main([str(folder)])
    assert "| shed | 2 | 1 | 0 |" in capsys.readouterr().out


def test_a_folder_without_captures_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="no capture with its truth"):
        sets.main([str(tmp_path)])
