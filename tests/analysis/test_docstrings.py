"""The examples in docstrings are true."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

import crankfold.acquire
import crankfold.analysis
import crankfold.viewer

ROOMS = (crankfold.acquire, crankfold.analysis, crankfold.viewer)


def modules_with_examples() -> list[str]:
    found = []
    for room in ROOMS:
        folder = Path(str(room.__file__)).parent
        found += [".".join([room.__name__, *file.relative_to(folder).with_suffix("").parts])
                  for file in sorted(folder.rglob("*.py")) if ">>> " in file.read_text(encoding="utf-8")]
    return found


@pytest.mark.parametrize("name", modules_with_examples())
def test_examples_give_what_stands_beside_them(name: str) -> None:
    done = doctest.testmod(import_module(name))
    assert done.attempted > 0
    assert done.failed == 0


def test_what_a_notebook_calls_first_has_examples() -> None:
    rooms = {"capture", "engine", "sync.anchor", "many.table", "many.precision"}
    assert {f"crankfold.analysis.{name}" for name in rooms} <= set(modules_with_examples())
