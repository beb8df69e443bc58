"""The generator of random captures: reproducible, of the agreed form, and with truths that hold together."""

from __future__ import annotations

import gzip
import json
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

import count_wrong as counter
import judging
import make_captures as maker
from families import FAMILIES
from random_rig import csv_text

ABOUT = {"layout", "firing_order", "intervals_deg", "sample_rate_hz", "clamp_mv_per_a", "polarity", "bits",
         "clamp_limit_a", "sync", "battery_weak", "starter"}
TRUTH = {"peak_gauge_bar", "relative_percent", "low", "even", "rpm", "onset_s", "end_s", "kind"}


@pytest.mark.parametrize("family", sorted(FAMILIES))
@pytest.mark.parametrize("index", [0, 1])
def test_every_family_makes_captures_of_the_agreed_form(family: str, index: int) -> None:
    made = maker.make(family, 11, index)
    assert set(made.about) >= ABOUT and set(made.truth) >= TRUTH
    json.dumps([made.about, made.truth])
    assert made.truth["acceptable"] and set(made.truth["acceptable"]) <= {"even", "uneven", "none"}
    if made.truth["kind"] == "any":
        percents = made.truth["relative_percent"]
        assert sorted(map(int, percents)) == sorted(made.about["firing_order"])
        assert max(percents.values()) == 100.0 and all(np.isfinite(v) and v >= 0.0 for v in percents.values())
    table = made.table
    assert np.all(np.diff(table.time_s) > 0.0) and np.isfinite(table.current_v).all()
    assert (table.sync is not None) == (made.about["sync"]["kind"] != "none")
    capture = made.capture()
    assert np.isfinite(capture.samples[:, 0]).sum() == len(table.time_s)


def test_a_capture_depends_on_its_seed_family_and_number_alone(tmp_path: Path) -> None:
    for folder, count in (("a", 1), ("b", 2)):
        assert maker.main([str(tmp_path / folder), "--count", str(count), "--seed", "5"]) == 0
    for name in ("ordinary-00000.csv.gz", "ordinary-00000.json"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert (tmp_path / "b" / "ordinary-00000.json").read_text() != (tmp_path / "b" / "ordinary-00001.json").read_text()
    text = gzip.decompress((tmp_path / "b" / "ordinary-00001.csv.gz").read_bytes()).decode("utf-8-sig")
    assert len(text.splitlines()) > 500


def test_the_truth_tells_where_the_crank_is() -> None:
    made = maker.make("ordinary", 12, 0)
    track = made.truth["angle"]
    angle = np.interp([made.truth["onset_s"] + 0.5, made.truth["end_s"] - 0.06], track["time_s"], track["angle_deg"])
    assert np.ptp(angle) / 720.0 == pytest.approx(made.truth["cycles"], abs=0.15)


@pytest.mark.parametrize("dialect", range(7))
def test_every_dialect_says_the_same_numbers(dialect: int) -> None:
    table = maker.Table(np.array([0.0, 0.0005, 0.001]), np.array([0.25, -1.5, 2e-5]), np.array([5.0, 0.0, 4.875]), "V",
                        dialect)
    text = csv_text(table).lstrip("\ufeff")
    separator = ";" if dialect in (1, 5) else ","
    lines = [line for line in text.splitlines() if line and (line[0].isdigit() or line[0] == "-")]
    rows = [[float(cell.replace(",", ".")) for cell in line.split(separator)] for line in lines]
    factor = 1000.0 if dialect in (2, 6) else 1.0
    assert np.allclose(rows, np.column_stack((table.time_s * factor, table.current_v * factor, table.sync)))


def row(**changes: object) -> judging.Row:
    return replace(judging.Row("made", "ordinary", "made", ("uneven",)), **changes)


def answer(verdict: str, percents: list[float], low: tuple[int, ...] = ()) -> SimpleNamespace:
    cylinders = [SimpleNamespace(relative_percent=p, interval_percent=(p - 5.0, p + 5.0), cylinder=c,
                                 state="low" if p < 75.0 else "good")
                 for c, p in zip((1, 3, 4, 2), percents, strict=True)]
    return SimpleNamespace(verdict=verdict, reasons=(), cylinders=cylinders, low=low)


TRUE_PERCENT = [100.0, 50.0, 95.0, 96.0]


@pytest.mark.parametrize(("verdict", "percents", "low", "flaws"), [
    ("uneven", [100.0, 52.0, 94.0, 97.0], (3,), set()),
    ("even", [100.0, 92.0, 94.0, 97.0], (), {"wrong", "missed"}),
    ("uneven", [100.0, 52.0, 70.0, 97.0], (3, 4), {"blamed", "misnamed"}),
    ("uneven", [70.0, 92.0, 94.0, 97.0], (1,), {"blamed", "missed", "misnamed"}),
])
def test_verdicts_are_judged_by_what_is_true(verdict: str, percents: list[float], low: tuple[int, ...],
                                             flaws: set[str]) -> None:
    found = judging.judge(row(), lambda: answer(verdict, percents, low), [1, 3, 4, 2], TRUE_PERCENT)
    assert {flaw for flaw in ("wrong", "blamed", "missed", "misnamed") if getattr(found, flaw)} == flaws
    assert found.answered and not found.refused


def test_at_the_limit_is_an_answer_only_there() -> None:
    assert not row(verdict="limit").wrong and not row(verdict="limit").answered
    assert row(verdict="limit", near=True).answered
    assert row(verdict="limit", acceptable=("none",)).wrong


def test_the_table_counts_engines_and_says_how_sure_it_is() -> None:
    """Clopper and Pearson (1934): of 40 alike trials none wrong leaves 8.8 % at 95 %, two-sided (0.025 = p**40)."""
    rows = [row(engine=str(k), verdict="uneven", errors=[1.0], inside=[True], widths=[5.0]) for k in range(40)]
    assert "40 of 40 (91.2-100 %)" in judging.table(rows) and "0 of 40 (0-8.81 %)" in judging.table(rows)
    together = [replace(one, engine="same") for one in rows]
    assert "0 of 40 (0-97.5 %)" in judging.table(together)  # forty captures of one engine are one engine


def test_counting_prints_a_line_a_family(capsys: pytest.CaptureFixture[str]) -> None:
    assert counter.main(["--family", "noverdict", "--count", "2", "--seed", "14", "--each"]) in (0, 1)
    printed = capsys.readouterr().out
    assert "noverdict-00000" in printed and "| noverdict | 2 | 2 | 0 |" in printed
