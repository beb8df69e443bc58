"""The page of recipes does what it says: its blocks run in order and print what stands under them."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crankfold.acquire import load_plugins, open_board, record

PAGE = Path(__file__).resolve().parents[2] / "analysis" / "recipes.md"  # of the tree: no wheel holds it
BLOCK = re.compile(r"^```python\n(?P<code>.*?)^```\n```text\n(?P<printed>.*?)^```", re.MULTILINE | re.DOTALL)


def recorded(**more: str):
    settings = {"engine": "pump", "dead": "3", "pace": "flat", "rate": "2000", "quiet": "0.8", "crank": "3.4",
                "after": "0.3", **more}
    (capture,) = record(open_board("virtual", settings, load_plugins()))
    return capture.samples


def test_every_block_prints_what_stands_under_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with_spark, with_pressure = recorded(sync="waste-spark"), recorded(sync="pressure", **{"sync-cylinder": "1"})
    assert np.array_equal(with_spark[:, 0], with_pressure[:, 0])
    current_a = with_spark[:, 0]
    time_s = np.arange(len(current_a)) / 2000.0
    frame = pd.DataFrame({"time (s)": time_s, "clamp (V)": current_a * 0.010})
    pd.DataFrame({"time (s)": time_s, "current (A)": current_a}).to_csv("crank.csv", index=False)
    names = {"current_a": current_a, "spark_kv": with_spark[:, 1], "pressure_bar": with_pressure[:, 1],
             "frame": frame}
    names["again_a"], names["again_kv"] = recorded(sync="waste-spark", seed="2").T
    page = PAGE.read_text(encoding="utf-8")
    blocks = list(BLOCK.finditer(page))
    assert len(blocks) == page.count("```python") >= 10
    for block in blocks:
        line = page[: block.start("code")].count("\n")
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            exec(compile("\n" * line + block["code"], str(PAGE), "exec"), names)
        assert said.getvalue() == block["printed"], f"recipes.md, line {line}"
