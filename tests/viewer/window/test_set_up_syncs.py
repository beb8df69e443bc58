"""A saved rig with several sync sources keeps them through the pages of the window."""

from __future__ import annotations

from pathlib import Path

import pytest

from crankfold.acquire import Rig, Shelf
from crankfold.viewer.window.set_up import Draft, _saved_rigs


@pytest.mark.parametrize(("sync", "kind"), [
    ("waste-spark:1, cam:1@200@cam", "waste-spark"), ("cam:1@200, pressure:3@pressure", "cam"),
    ("pressure:3@pressure, cam:1@200@cam", "none"), ("cam:1@200@cam", "none"), ("none", "none"), ("cam:2@-40", "cam")])
def test_all_sources_come_back(tmp_path: Path, sync: str, kind: str) -> None:
    shelf = Shelf(tmp_path)
    shelf.save("cart", Rig("bench", sync=sync))
    (choice,) = _saved_rigs(shelf)
    draft = Draft().with_(choice.values)
    assert (draft["sync"], draft.sync) == (kind, sync)
