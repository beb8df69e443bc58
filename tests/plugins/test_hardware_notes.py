"""The hardware notes say what is true: their sums are run, their descriptions read, their links followed."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest

from crankfold.acquire import TomlTable
from crankfold.acquire.rig.probe import OHM_PER_KM
from crankfold.plugins.usb.description import read_description
from crankfold.plugins.usb.tmc_description import read_instrument

NOTES = Path(__file__).resolve().parents[2] / "hardware_notes"
PAGES = sorted(NOTES.glob("*.md"))
WITH_SUMS = {"probes.md": 32, "sync-pickups.md": 8, "input-protection.md": 6, "isolation.md": 1,
             "which-board.md": 6}  # what circuits do is simulated, in tests/hardware_notes
READERS = {"usb-bulk.md": read_description, "usb-tmc.md": read_instrument}


def test_the_sums_are_right() -> None:
    for name, least in WITH_SUMS.items():
        found = doctest.testfile(str(NOTES / name), module_relative=False, encoding="utf-8")
        assert found.failed == 0 and found.attempted >= least, name


def example(name: str) -> str:
    (block,) = re.findall(r"```toml\n(.*?)```", (NOTES / name).read_text(encoding="utf-8"), re.DOTALL)
    return block


@pytest.mark.parametrize("name", READERS)
def test_the_descriptions_can_be_read(name, tmp_path) -> None:
    path = tmp_path / "example.toml"
    path.write_text(example(name), encoding="utf-8")
    description = READERS[name](path)
    assert (description.vendor_id, description.path) == (0x1209, path)


@pytest.mark.parametrize("name", READERS)
def test_every_key_is_in_the_notes(name, tmp_path, monkeypatch) -> None:
    """Read the complete example and collect each key the reader asks for, given or not."""
    asked: set[str] = set()
    take = TomlTable.take

    def noting(table, key, *rest):
        asked.add(key)
        return take(table, key, *rest)

    monkeypatch.setattr(TomlTable, "take", noting)
    path = tmp_path / "example.toml"
    path.write_text(example(name), encoding="utf-8")
    READERS[name](path)
    page = (NOTES / name).read_text(encoding="utf-8")
    missing = [key for key in asked if not re.search(rf"\b{re.escape(key)}\b", page)]
    assert len(asked) > 20 and not missing


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8")):
        assert target.startswith("https://") or (NOTES / target).exists(), target


@pytest.mark.parametrize("page", [page for page in PAGES if page.name not in ("README.md", "frames.md")],
                         ids=lambda page: page.name)
def test_every_page_says_how_it_was_verified(page) -> None:
    assert re.search(r"verified", page.read_text(encoding="utf-8"), re.IGNORECASE)


def test_the_cable_table_is_the_tools_own() -> None:
    text = (NOTES / "probes.md").read_text(encoding="utf-8")
    table = dict(re.findall(r"(\d+): ([\d.]+)[,}]", text[text.index("ohm_per_km = {"):].split("\n")[0]))
    assert {float(area): float(ohm) for area, ohm in table.items()} == OHM_PER_KM[5]


def test_every_page_is_in_the_index() -> None:
    index = (NOTES / "README.md").read_text(encoding="utf-8")
    assert [page.name for page in PAGES if page.name != "README.md" and f"({page.name})" not in index] == []
