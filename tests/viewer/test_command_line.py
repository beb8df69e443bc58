"""The installed command, end to end: verdicts, refusals, every kind of bad input, and what is left behind."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import BoardFound, Capabilities, KindFound, PluginOrigin

ORDER = "1-3-4-2"
ESCAPE = "\x1b"


def one_line(done: subprocess.CompletedProcess[str]) -> str:
    """Return the only line said about a mistake."""
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert len(lines[0]) > 25
    return lines[0]


def test_a_dead_cylinder_is_named_in_words_and_in_json(crankfold, dead_csv: Path) -> None:
    done = crankfold("analyse", dead_csv, "--firing-order", ORDER, "--sync", "waste-spark:1", "--json", "out.json",
                     "--picture", "out.svg")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Cylinder 3 has no compression." in done.stdout
    assert "If every cylinder is equally low" in done.stdout
    assert "leak-down test on cylinder 3" in done.stdout
    data = json.loads((crankfold.folder / "out.json").read_text())
    assert data["format"] == "crankfold.result/1"
    assert (data["verdict"], data["low"], data["low_positions"]) == ("uneven", [3], [2])
    assert [c["cylinder"] for c in data["cylinders"]] == [1, 3, 4, 2]
    assert crankfold.left_behind() == ["out.json", "out.svg"]


def test_json_on_standard_output_is_alone_there(crankfold, even_csv: Path) -> None:
    done = crankfold("analyse", even_csv, "--firing-order", ORDER, "--json", "-")
    assert done.returncode == 0
    assert done.stderr == ""
    data = json.loads(done.stdout)
    assert (data["verdict"], data["low"], data["sync"]) == ("even", [], None)
    assert all(c["cylinder"] is None and math.isfinite(c["relative_percent"]) for c in data["cylinders"])
    assert crankfold.left_behind() == []


def test_no_verdict_is_status_three_with_the_reason_said(crankfold, tmp_path: Path) -> None:
    quiet = np.random.default_rng(1).standard_normal(4000)
    file = tmp_path / "quiet.csv"
    np.savetxt(file, np.column_stack([np.arange(4000) / 1000.0, quiet]), delimiter=",", header="time (s),current (A)",
               comments="")
    done = crankfold("analyse", file, "--firing-order", ORDER, "--json", "-", "--picture", "out.png")
    assert done.returncode == 3
    data = json.loads(done.stdout)
    assert (data["verdict"], data["reasons"][0]["code"], data["cylinders"]) == ("none", "no-cranking", [])
    assert (crankfold.folder / "out.png").read_bytes().startswith(b"\x89PNG")


def test_a_file_gives_the_same_result_through_capture(crankfold, dead_csv: Path) -> None:
    about = ("--firing-order", ORDER, "--sync", "waste-spark:1", "--json", "-")
    analysed = crankfold("analyse", dead_csv, *about)
    captured = crankfold("capture", "--from", f"csv:{dead_csv}", *about, "--out", "kept")
    assert captured.returncode == 0, captured.stderr
    assert json.loads(captured.stdout) == json.loads(analysed.stdout)
    assert {Path(name).suffix for name in crankfold.left_behind()} >= {".h5", ".html", ".json", ".png", ".svg"}


def test_a_live_board_is_caught_and_judged(crankfold) -> None:
    done = crankfold("capture", "--from", "virtual", "--set", "dead=2", "--set", "sync=cam", "--set", "quiet=1.8",
                     "--set", "after=1", "--set", "crank=3", "--firing-order", ORDER, "--sync", "cam:1@200", "--once")
    assert done.returncode == 0, done.stderr
    said = done.stdout
    assert said.index("10 seconds at most") < said.index("Armed.") < said.index("Cranking.")
    assert "Cylinder 2 has no compression." in said


def test_the_demonstration_names_the_dead_cylinder_and_keeps_files(crankfold) -> None:
    done = crankfold("demo", "--dead", "2", "--out", "demo")
    assert done.returncode == 0, done.stderr
    for words in ("Armed.", "Cranking.", "Caught", "Cylinder 2 has no compression.", "What this test can't see"):
        assert words in done.stdout
    kept = crankfold.folder / "demo"
    assert json.loads((kept / "demo.json").read_text())["low"] == [2]
    assert (kept / "demo.png").stat().st_size > 50_000
    assert (kept / "demo.h5").stat().st_size > 10_000


WRONG_OPTIONS = [
    (("--firing-order", "1-3-3-2"), "cylinder 3 twice"),
    (("--firing-order", "1-3-x-2"), "firing order"),
    (("--firing-order", ORDER, "--intervals", "180-180-180-190"), "add up to 730"),
    (("--firing-order", ORDER, "--strokes", "3"), "2 or 4"),
    (("--firing-order", ORDER, "--strokes", "four"), "--strokes"),
    (("--firing-order", ORDER, "--clamp", "0mV/A"), "above zero"),
    (("--firing-order", ORDER, "--clamp", "10 apples"), "not understood"),
    (("--firing-order", ORDER, "--clamp", "10mV/A", "--probe", "100uOhm"), "use one of them"),
    (("--firing-order", ORDER, "--sync", "waste-spark:7"), "no cylinder 7"),
    (("--firing-order", ORDER, "--sync", "moon:1"), "sync"),
    (("--firing-order", ORDER, "--gauge", "9=12bar"), "no cylinder 9"),
    (("--firing-order", ORDER, "--gauge", "1=12"), "unit"),
    (("--firing-order", ORDER, "--misfire-code", "P0420"), "P0420"),
    (("--firing-order", ORDER, "--low", "10", "--dead", "40"), "rising order"),
    (("--firing-order", ORDER, "--picture", "out.bmp"), ".svg or .png"),
    (("--firing-order", ORDER, "--picture", "nowhere/out.png"), "no folder nowhere"),
    (("--firing-order", ORDER, "--json", "/dev/null/x.json"), "/dev/null"),
    (("--firing-order", ORDER, "--set", "columns"), "NAME=VALUE"),
    (("--firing-order", ORDER, "--set", "colour=red"), "no setting 'colour'"),
    (("--firing-order", ORDER, "--wheels", "4"), "--wheels"),
    ((), "--firing-order"),
]


@pytest.mark.parametrize(("options", "words"), WRONG_OPTIONS, ids=[words for _, words in WRONG_OPTIONS])
def test_a_wrong_option_is_one_line_and_writes_nothing(in_process, even_csv: Path, options: tuple[str, ...],
                                                       words: str) -> None:
    kept = () if "--json" in options else ("--json", "out.json")
    assert words in one_line(in_process("analyse", even_csv, *options, *kept))
    assert in_process.left_behind() == []


def test_the_installed_command_ends_the_same_way(crankfold, even_csv: Path) -> None:
    for at in (0, 2, 19):
        options, words = WRONG_OPTIONS[at]
        assert words in one_line(crankfold("analyse", even_csv, *options))


def rows(count: int = 3000) -> np.ndarray:
    return np.column_stack([np.arange(count) / 1000.0, np.sin(np.arange(count) / 20.0)])


def text_of(table: np.ndarray) -> str:
    return "time (s),current (A)\n" + "".join(f"{a:.4f},{b:.4f}\n" for a, b in table)


def reversed_time() -> str:
    table = rows()
    table[:, 0] = table[::-1, 0]
    return text_of(table)


WRONG_FILES = {
    "missing": (None, "no such file"),
    "empty": ("", "empty"),
    "words": ("it was a dark night\nand the engine would not start\n" * 40, "words.csv"),
    "one-column": ("".join(f"{x:.4f}\n" for x in rows()[:, 1]), "one-column.csv"),
    "constant-time": (text_of(np.column_stack([np.zeros(3000), rows()[:, 1]])), "constant-time.csv"),
    "reversed-time": (reversed_time(), "reversed-time.csv"),
    "no-numbers": (text_of(rows()).replace("0.", "nan,nan "), "no-numbers.csv"),
    "all-nan": ("time (s),current (A)\n" + "".join(f"{k / 1000:.3f},nan\n" for k in range(3000)), ""),
    "unknown.xyz": ("\x00\x01\x02" * 3000, "unknown.xyz"),
}


@pytest.mark.parametrize("name", WRONG_FILES)
def test_a_wrong_file_is_one_line_and_writes_nothing(in_process, tmp_path: Path, name: str) -> None:
    content, words = WRONG_FILES[name]
    file = tmp_path / (name if "." in name else f"{name}.csv")
    if content is not None:
        file.write_text(content)
    said = one_line(in_process("analyse", file, "--firing-order", ORDER, "--json", "out.json", "--picture", "out.svg"))
    assert words in said
    assert in_process.left_behind() == []


def test_a_folder_and_an_unknown_plugin_are_one_line(in_process, tmp_path: Path) -> None:
    assert "folder" in one_line(in_process("analyse", tmp_path, "--firing-order", ORDER))
    assert "no board or file reader called 'vritual'" in one_line(
        in_process("capture", "--from", "vritual", "--firing-order", ORDER))
    assert "no command analysis" in one_line(in_process("analysis", "x.csv")).lower()


def test_a_file_cut_in_the_middle_of_a_line_is_judged_and_said(crankfold, tmp_path: Path, dead_csv: Path) -> None:
    whole = dead_csv.read_bytes()
    cut = tmp_path / "cut.csv"
    cut.write_bytes(whole[: int(len(whole) * 0.9) - 3])
    done = crankfold("analyse", cut, "--firing-order", ORDER, "--json", "-")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert len(data["low_positions"]) == 1
    assert any("cut short" in c["text"] for c in data["cautions"] if c["code"] == "line-cut")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device that is always full is a Linux one")
def test_a_full_disk_is_one_line(crankfold, even_csv: Path) -> None:
    about = ("analyse", even_csv, "--firing-order", ORDER)
    assert "No space left" in one_line(crankfold(*about, "--json", "/dev/full"))
    with Path("/dev/full").open("w") as full:
        done = subprocess.run([crankfold.command, *map(str, about)], stdout=full, stderr=subprocess.PIPE, text=True,
                              check=False)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "No space left" in done.stderr
    assert crankfold.left_behind() == []


def test_a_reader_that_goes_away_is_no_fault(crankfold, even_csv: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run([crankfold.command, "analyse", str(even_csv), "--firing-order", ORDER], stdout=write,
                          stderr=subprocess.PIPE, text=True, check=False)
    os.close(write)
    assert done.returncode == 141
    assert done.stderr == ""


def test_ctrl_c_ends_cleanly_and_leaves_nothing(crankfold) -> None:
    command = [crankfold.command, "capture", "--from", "virtual", "--set", "quiet=30", "--firing-order", ORDER,
               "--json", "out.json"]
    process = subprocess.Popen(command, cwd=crankfold.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                               env=crankfold.environment)
    assert process.stdout is not None
    for line in process.stdout:
        if "Armed" in line:
            break
    process.send_signal(signal.SIGINT)
    _, said = process.communicate()
    assert process.returncode == 130
    assert said.splitlines() == ["stopped; nothing was left half-written"]
    assert crankfold.left_behind() == []


def test_hostile_names_cannot_steer_the_terminal(crankfold, tmp_path: Path, healthy, make_csv) -> None:
    file = make_csv(tmp_path / f"{ESCAPE}[2Jevil\u202e.csv", healthy, "time (s),current (A)")
    done = crankfold("analyse", file, "--firing-order", ORDER, "--picture", "out.svg", "--engine-name",
                     f"{ESCAPE}]0;owned\x07<script>")
    assert done.returncode == 0
    assert ESCAPE not in done.stdout + done.stderr
    picture = (crankfold.folder / "out.svg").read_text()
    assert ESCAPE not in picture
    assert "<script" not in picture
    missing = crankfold("analyse", tmp_path / f"{ESCAPE}[31mnone.csv", "--firing-order", ORDER)
    assert ESCAPE not in one_line(missing)


def test_plugins_and_boards_are_listed(crankfold) -> None:
    done = crankfold("plugins")
    assert done.returncode == 0
    assert "files csv:" in done.stdout
    assert "board virtual:" in done.stdout


def test_real_boards_come_first_and_what_to_do_without_one(in_process, monkeypatch: pytest.MonkeyPatch) -> None:
    def found(*_: object, **__: object) -> list[KindFound]:
        origin = PluginOrigin("bench", "bench")
        return [KindFound("virtual", "virtual engine", origin, (BoardFound("pump", "a made-up pump"),)),
                KindFound("bench", "bench board", origin, tuple(real))]

    monkeypatch.setattr("crankfold.acquire.discover_boards", found, raising=False)
    real: list[BoardFound] = []
    nothing = in_process("boards").stdout.splitlines()
    assert nothing[0] == "No board found."
    assert "Plug it in" in nothing[1]
    assert nothing.index("Made-up engines to try things on, no board needed:") > 1
    real.append(BoardFound("SER=Harbour Workshop 7", "bench board", can=Capabilities(4, 500_000.0, 12)))
    there = in_process("boards").stdout
    assert there.startswith("'bench:SER=Harbour Workshop 7': bench board")
    assert "crankfold capture --from 'bench:SER=Harbour Workshop 7'" in there
    assert "Has 4 inputs, up to 500000 samples a second, 12 bits." in there
    assert "No board found" not in there
    assert there.index("bench:") < there.index("virtual:pump")


def test_an_unknown_scale_is_said_and_amperes_left_out(in_process, tmp_path: Path, make_csv,
                                                       make_recording) -> None:
    file = make_csv(tmp_path / "volts.csv", make_recording(unit="V"), "time,level")
    data = json.loads(in_process("analyse", file, "--firing-order", ORDER, "--json", "-").stdout)
    assert data["verdict"] == "even"
    assert data["cranking"]["mean_a"] is None
    assert "no-scale" in [c["code"] for c in data["cautions"]]
    scaled = json.loads(in_process("analyse", file, "--firing-order", ORDER, "--clamp", "10mV/A", "--json", "-").stdout)
    assert 50 < scaled["cranking"]["mean_a"] < 400


def test_help_is_there_at_once(crankfold) -> None:
    """The budget is 150 ms; processor time is counted, as a busy machine says nothing of the program."""
    spent = []
    for _ in range(5):
        before = os.times()
        done = crankfold("--help")
        after = os.times()
        spent.append(after.children_user + after.children_system - before.children_user - before.children_system)
    assert "analyse" in done.stdout
    assert min(spent) < 0.30, spent


def test_a_kept_rig_and_engine_card_stand_for_their_options(in_process, monkeypatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    assert "None saved yet." in in_process("engine").stdout
    assert in_process("engine", "pump", "--firing-order", ORDER, "--fuel", "spark").returncode == 0
    kept = in_process("rig", "cart", "--from", "virtual", "--set", "dead=4", "--set", "sync=cam", "--set", "unit=V",
                     "--set", "pace=flat", "--set", "crank=3", "--probe", "10mV/A", "--sync", "cam:1@200")
    assert kept.returncode == 0, kept.stderr
    assert in_process("engine").stdout.split() == ["pump"]
    assert "probe = 10mV/A" in in_process("rig", "cart").stdout
    shelf = tmp_path / "settings" / "crankfold"
    assert f"saved in {shelf / 'rigs' / 'cart.toml'}" in in_process("rig", "cart").stdout
    assert f"saved in {shelf / 'engines' / 'pump.toml'}" in in_process("engine", "pump").stdout
    for option in ("--volts", "--system-v"):
        assert "system_v = 24" in in_process("engine", "tug", "--firing-order", ORDER, option, "24").stdout
    done = in_process("capture", "--rig", "cart", "--engine", "pump", "--json", "-")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert (data["low"], data["engine"]["name"]) == ([4], "pump")
    assert 50 < data["cranking"]["mean_a"] < 400
    assert "no engine card called 'launch'" in one_line(in_process("capture", "--rig", "cart", "--engine", "launch"))
    assert "cannot be used" in one_line(in_process("rig", "../cart", "--from", "virtual"))
    assert "--from is missing" in one_line(in_process("capture", "--engine", "pump"))


def test_a_killed_capture_is_saved_by_the_next_one(crankfold) -> None:
    about = ["capture", "--from", "virtual", "--set", "quiet=1.7", "--set", "after=0.5", "--firing-order", ORDER,
             "--out", "kept", "--once"]
    process = subprocess.Popen([crankfold.command, *about], cwd=crankfold.folder, stdout=subprocess.PIPE,
                               stderr=subprocess.DEVNULL, text=True, env=crankfold.environment)
    assert process.stdout is not None
    for line in process.stdout:
        if "Cranking" in line:
            break
    time.sleep(1.0)
    process.kill()
    process.communicate()
    assert [Path(name).suffix for name in crankfold.left_behind() if name != "kept"] == [".journal"]
    done = crankfold(*about, "--set", "pace=flat", "--set", "crank=3")
    assert done.returncode == 0, done.stderr
    assert "A cranking test that was cut off earlier has been saved" in done.stdout
    suffixes = [Path(name).suffix for name in crankfold.left_behind() if name != "kept"]
    assert sorted(suffixes) == sorted([".h5", ".html", ".json", ".png", ".svg"] * 2)  # it is analysed, too


def test_fewer_cranks_than_asked_for_are_no_success(in_process, dead_csv: Path) -> None:
    done = in_process("capture", "--from", f"csv:{dead_csv}", "--firing-order", ORDER, "--count", "2")
    assert done.returncode == 3
    assert "Cylinder 3 has no compression" in done.stdout or "no compression" in done.stdout
    assert "1 of 2 cranks were caught before the end" in done.stdout


def test_a_file_in_the_place_of_the_folder_is_said(in_process, dead_csv: Path, tmp_path: Path) -> None:
    place = tmp_path / "kept"
    place.write_text("a file")
    done = in_process("capture", "--from", f"csv:{dead_csv}", "--firing-order", ORDER, "--out", place)
    assert one_line(done).endswith(f"{place} is a file; --out wants a folder")
