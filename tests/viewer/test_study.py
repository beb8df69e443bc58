"""Repeated recordings of one engine: what is said of how well they agree, and what is left out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import save_capture
from crankfold.analysis import InputError
from crankfold.viewer.words import groups_of

EVERY_S, KEPT_S = 6.0, 4.2  # from crank to crank, and of each: 0.6 quiet, 3 of cranking, 0.6 after
ABOUT = ("--firing-order", "1-3-4-2", "--sync", "waste-spark:1")


@pytest.fixture(scope="module")
def repeats(tmp_path_factory, make_recording) -> list[Path]:
    """One engine cranked four times in a row, its cylinders the same; two times each by rigs that are alike."""
    folder = tmp_path_factory.mktemp("study")
    whole = make_recording(sync="waste-spark", low="3:40", seed="20", cranks="4", rest="3")
    paths = []
    for k, name in enumerate(("old-0", "old-1", "new-0", "new-1")):
        first, last = (round((EVERY_S * k + at) * whole.rate_hz) for at in (0.0, KEPT_S))
        paths.append(folder / f"{name}.h5")
        save_capture(replace(whole, samples=whole.samples[first:last], trigger_index=None), paths[-1])
    return paths


def test_repeats_agree_and_it_is_said_how_well(in_process, repeats: list[Path]) -> None:
    done = in_process("study", *repeats, *ABOUT, "--json", "study.json")
    assert done.returncode == 0, done.stderr
    data = json.loads((in_process.folder / "study.json").read_text())
    assert [c["cylinder"] for c in data["cylinders"]] == [1, 3, 4, 2]
    assert data["format"] == "crankfold.study/1"
    for cylinder in data["cylinders"]:
        assert (cylinder["count"], cylinder["groups"], cylinder["reproducibility_sd"]) == (4, 1, None)
        assert cylinder["repeatability_limit"] == pytest.approx(2.8 * cylinder["repeatability_sd"], abs=1e-5)
        # the strongest is 100 by its meaning; in four cranks of two engines, 0 to 2.0 points were measured
        assert 0.0 <= cylinder["repeatability_sd"] < 2.5
    assert sum(cylinder["repeatability_sd"] > 0.1 for cylinder in data["cylinders"]) >= 3
    lines = done.stdout.splitlines()
    assert lines[0].startswith("4 recordings: two of them differ by more than ")
    assert sum("repeatability s_r" in line for line in lines) == 4
    assert any("rough" in line for line in lines)


def test_groups_give_reproducibility(in_process, repeats: list[Path]) -> None:
    done = in_process("study", *repeats, *ABOUT, "--group", "old=*/old-*", "--group", "new=*/new-*", "--json", "-")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert [f["group"] for f in data["files"]] == ["old", "old", "new", "new"]
    for cylinder in data["cylinders"]:
        assert cylinder["reproducibility_sd"] >= cylinder["repeatability_sd"]
        if cylinder["repeatability_sd"] > 0.0:  # the strongest is 100 by its meaning
            assert 0.0 <= cylinder["p"] <= 1.0
        parts = {part["code"]: part for part in cylinder["budget"]["components"]}
        assert set(parts) == {"range", "repeatability", "groups"}
        total = sum(part["standard"] ** 2 for part in parts.values())
        assert cylinder["budget"]["combined"] ** 2 == pytest.approx(total, rel=1e-4)
    assert set(data["scatter_sd"]) == {"crank", "group", "group x cylinder", "rest"}


def test_a_budget_is_shown_where_it_is_asked_for(in_process, repeats: list[Path]) -> None:
    done = in_process("study", *repeats, *ABOUT, "--budget")
    assert done.returncode == 0, done.stderr
    assert sum("Uncertainty budget of cylinder" in line for line in done.stdout.splitlines()) == 4
    assert "All cylinders together scatter by source" in done.stdout


def test_a_folder_is_taken_as_a_batch_takes_it(in_process, repeats: list[Path], tmp_path: Path) -> None:
    folder = tmp_path / "recordings"
    (folder / "later").mkdir(parents=True)
    for path, place in zip(repeats, ("b.h5", "a.h5", "later/c.h5", ".hidden.h5"), strict=True):
        (folder / place).write_bytes(path.read_bytes())
    (folder / "note.md").write_text("no recording\n")
    (folder / "later" / "shopping.csv").write_text("eggs\n")
    (folder / "later" / "c.toml").write_text('sync = "none"\n')
    done = in_process("study", folder, folder / "later", *ABOUT, "--group", "first=*/recordings/?.h5", "--group",
                      "then=*/later/*", "--json", "-")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert [(Path(f["file"]).name, f["group"]) for f in data["files"]] == [("a.h5", "first"), ("b.h5", "first")]
    left = {Path(f["file"]).name: f["why"] for f in data["left_out"]}
    assert "aren't identified" in left.pop("c.h5")  # for the file beside it says that there is no mark
    assert list(left) == ["shopping.csv"]
    assert "no numbers below the header" in left["shopping.csv"]
    assert f"Left out: {left['shopping.csv']}" in done.stderr
    assert done.stderr.count("shopping.csv") == 1


def test_a_folder_has_the_messages_of_a_batch(in_process, repeats: list[Path], tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for command in (("study",), ("batch", "--table", "t.csv")):
        for wrong, said in (("empty", "no captures found in"), ("gone", "no such file or folder")):
            done = in_process(*command, tmp_path / wrong, *ABOUT)
            assert (done.returncode, done.stdout) == (2, "")
            assert said in done.stderr
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(repeats[0].read_bytes()[:3000])
    done = in_process("study", *repeats, damaged, *ABOUT)  # it was named, so it is wanted
    assert (done.returncode, done.stdout) == (2, "")
    assert "damaged.h5" in done.stderr


def test_a_rig_goes_for_all_of_them(in_process, repeats: list[Path], tmp_path: Path) -> None:
    rig = tmp_path / "cart.toml"
    rig.write_text('board = "virtual"\nsync = "waste-spark:1"\n')
    done = in_process("study", *repeats[:2], "--firing-order", "1-3-4-2", "--rig", rig)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("2 recordings")


def test_what_has_no_verdict_or_no_names_is_left_out_with_its_reason(in_process, repeats: list[Path], tmp_path: Path,
                                                                     even_csv: Path) -> None:
    quiet = tmp_path / "quiet.csv"
    np.savetxt(quiet, np.column_stack([np.arange(4000) / 1e3, np.random.default_rng(1).standard_normal(4000)]),
               delimiter=",", header="time (s),current (A)", comments="")
    done = in_process("study", *repeats[:2], quiet, even_csv, *ABOUT)
    assert done.returncode == 0
    assert f"Left out: {quiet}. No verdict: no cranking found." in done.stderr
    assert f"Left out: {even_csv}. Its cylinders aren't identified" in done.stderr
    assert done.stdout.startswith("2 recordings")
    done = in_process("study", repeats[0], quiet, *ABOUT)
    assert (done.returncode, done.stdout) == (3, "")
    assert "only 1 of the recordings" in done.stderr


def test_a_copy_of_a_recording_is_left_out_and_that_is_said(in_process, repeats: list[Path], tmp_path: Path) -> None:
    copy = tmp_path / "again.h5"
    copy.write_bytes(repeats[0].read_bytes())
    done = in_process("study", *repeats[:2], copy, *ABOUT, "--json", "-")
    assert f"Left out: {copy}. It is the same recording as {repeats[0]}" in done.stderr
    assert "do a new cranking test each time" in done.stderr
    data = json.loads(done.stdout)
    assert [f["file"] for f in data["left_out"]] == [str(copy)]
    assert [c["count"] for c in data["cylinders"]] == [2] * 4
    assert sum(c["repeatability_sd"] > 0.0 for c in data["cylinders"]) >= 3
    done = in_process("study", repeats[0], repeats[0], copy, *ABOUT)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.count("same recording") == 2
    assert "only 1 of the recordings can be used" in done.stderr


@pytest.mark.parametrize("command", ["compare", "analyse"])
def test_a_copy_tells_nothing_more_elsewhere_either(in_process, repeats: list[Path], tmp_path: Path,
                                                    command: str) -> None:
    copy = tmp_path / "again.h5"
    copy.write_bytes(repeats[0].read_bytes())
    done = in_process(command, repeats[0], copy, *ABOUT)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"{copy} is the same recording as {repeats[0]}; leave it out, and do another cranking test" in done.stderr
    assert in_process(command, *repeats[:2], *ABOUT).returncode == 0


def test_patterns_sort_files_into_groups() -> None:
    paths = [Path("bench1/a.csv"), Path("bench2/b.csv"), Path("bench1/c.csv")]
    assert groups_of(paths, ["one=bench1/*", "two=*"]) == ["one", "two", "one"]
    assert groups_of(paths, []) == ["", "", ""]
    with pytest.raises(InputError, match="in none of the groups"):
        groups_of(paths, ["one=bench1/*"])
    with pytest.raises(InputError, match="NAME=PATTERN"):
        groups_of(paths, ["bench1"])
