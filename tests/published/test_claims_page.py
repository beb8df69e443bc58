"""The page of claims names tests that exist, and every test file of this folder stands on it."""

from __future__ import annotations

import re
from pathlib import Path

HERE = Path(__file__).parent
PAGE = (HERE / "README.md").read_text(encoding="utf-8")


def test_every_test_of_the_page_exists() -> None:
    named = set(re.findall(r"`(test_\w+)(?:\.py)?`", PAGE))
    sources = {path.stem: path.read_text(encoding="utf-8") for path in HERE.glob("test_*.py")}
    known = {name for text in sources.values() for name in re.findall(r"^def (test_\w+)", text, re.MULTILINE)}
    assert len(named) > 20
    assert not named - known - set(sources)


def test_every_file_of_checks_stands_on_the_page() -> None:
    left = []
    for path in HERE.glob("test_*.py"):
        tests = re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
        if path.stem != Path(__file__).stem and not any(name in PAGE for name in (path.stem, *tests)):
            left.append(path.name)
    assert not left
