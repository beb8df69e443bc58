"""Commands that the documents tell people to type are understood, and those on files are run as they stand."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import click
import pytest

from crankfold.acquire import save_capture
from crankfold.viewer.command_line import COMMANDS, program
from crankfold.viewer.helping import EXAMPLES

TOP = Path(__file__).resolve().parents[2]
PAGES = sorted(path for path in [*TOP.glob("*.md"), *TOP.glob("*/*.md"), *TOP.glob("hardware_notes/*/*.md"),
                           *TOP.glob("viewer/docs/*.md")]
               if not path.parent.name.startswith("."))
OUR_OPTIONS = {"--no-plugins", "--version", "--help"}
JUDGING = {"analyse", "capture", "compare", "sheet", "batch", "study"}
DOCS = TOP / "viewer" / "docs"
RUN_DOCS = {"demo", "engine", "rig", "check", "capture", "analyse", "compare", "sheet", "batch"}
RUN = {"analyse", "compare", "sheet", "listen", "export", "batch", "study", "boards"}


def commands(page: Path) -> list[list[str]]:
    """Return the words of every crankfold command in fenced sh blocks and in indented blocks."""
    text = page.read_text(encoding="utf-8")
    fenced = re.findall(r"^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    lines = [line for block in fenced for line in block.replace("\\\n", " ").split("\n")]
    lines += re.findall(r"^    (crankfold .*)$", re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL), re.M)
    found = []
    for line in lines:
        for part in re.split(r"&&|\|\s", line):
            words = shlex.split(part, comments=True)
            if words and words[0].rsplit("/", 1)[-1] == "crankfold":
                found.append(words[3:] if words[1:2] == ["--language"] else words[1:])
    return found


TYPED = [(page, words) for page in PAGES for words in commands(page)]


def named(case: tuple[Path, list[str]]) -> str:
    return f"{case[0].relative_to(TOP)}: {' '.join(case[1])}"


def as_a_shell_spreads(word: str, folder: Path) -> list[str]:
    return sorted(map(str, folder.glob(word))) if "*" in word else [word]


def test_there_are_commands_in_the_documents() -> None:
    assert len(TYPED) >= 20
    assert {words[0] for _, words in TYPED} >= {"demo", "analyse", "capture", "check", "rig", "engine", "boards"}


@pytest.mark.parametrize("case", TYPED, ids=named)
def test_every_command_is_understood(case: tuple[Path, list[str]]) -> None:
    words = [word for word in case[1] if word not in OUR_OPTIONS]
    assert words[0] in COMMANDS
    with program.make_context("crankfold", list(words)) as context:
        command = program.get_command(context, words[0])
        assert command is not None
        command.make_context(words[0], words[1:], parent=context)  # raises what the user would be told


@pytest.mark.parametrize("case", [case for case in TYPED if case[1][0] in JUDGING], ids=named)
def test_every_command_that_judges_says_of_which_engine(case: tuple[Path, list[str]]) -> None:
    assert {"--firing-order", "--engine"} & set(case[1])


def test_a_misspelt_option_would_be_found() -> None:
    with program.make_context("crankfold", ["analyse"]) as context:
        command = program.get_command(context, "analyse")
        assert command is not None
        with pytest.raises(click.UsageError):
            command.make_context("analyse", ["x.csv", "--firing-ordr", "1-3-4-2"], parent=context)


def test_commands_in_running_text_exist() -> None:
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for name in re.findall(r"`(?:\.venv/bin/)?crankfold (?:--no-plugins )?([a-z]+)", text):
            assert name in COMMANDS, f"{page.name}: crankfold {name}"


def prepare_files(folder: Path, dead_three, make_recording, make_csv) -> None:
    """Put the files there that the documents' commands name."""
    make_csv(folder / "crank.csv", dead_three)
    save_capture(dead_three, folder / "before.h5")
    save_capture(make_recording(sync="waste-spark"), folder / "after.h5")
    save_capture(dead_three, folder / "crank.h5")
    (folder / "recordings").mkdir()
    for name in ("before.h5", "after.h5"):
        shutil.copy(folder / name, folder / "recordings" / name)


@pytest.mark.parametrize("page", sorted(DOCS.glob("*.md")), ids=lambda page: page.stem)
def test_the_commands_of_a_page_run_one_after_the_other(page: Path, in_process, bench_clock, monkeypatch, dead_three,
                                                        make_recording, make_csv) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(in_process.folder / "settings"))
    prepare_files(in_process.folder, dead_three, make_recording, make_csv)
    assert in_process("engine", "pump", "--firing-order", "1-3-4-2").returncode == 0
    said = []
    for words in commands(page):
        far = any(word.startswith("network:") or "://" in word for word in words)  # nobody lends or keeps any here
        if words[0] in RUN_DOCS and not far:
            done = in_process(*words)
            assert done.returncode == 0, (words, done.stderr)
            said.append(done.stdout)
    for shown in re.findall(r"^```text\n(.*?)\n```", page.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL):
        assert any(shown in text for text in said), shown


ENDLESS = {"practice", "window", "demo", "speed", "lend"}  # they ask, show, take long, or have tests of their own
EXAMPLES_RUN = [line for name, lines in EXAMPLES.items() for line in lines if name not in ENDLESS
                and ("--rig" not in line or name == "check")]


def test_the_examples_of_help_run(in_process, bench_clock, monkeypatch, dead_three, make_recording, make_csv) -> None:
    folder = in_process.folder
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "settings"))
    prepare_files(folder, dead_three, make_recording, make_csv)
    make_csv(folder / "before.csv", dead_three)
    make_csv(folder / "after.csv", make_recording(sync="waste-spark"))
    (folder / "jobs").mkdir()
    (folder / "gauge.csv").write_text("file,cylinder,pressure,unit\n" + "".join(
        f"{name},{k},{0.2 if k == 3 else 12},bar\n" for name in ("crank", "crank.h5") for k in (1, 2, 3, 4)))
    first = [line for line in EXAMPLES_RUN if line.split()[1] in ("engine", "rig")]
    assert len(EXAMPLES_RUN) > len(COMMANDS) - len(ENDLESS)
    for line in [*first, *(line for line in EXAMPLES_RUN if line not in first)]:
        done = in_process(*shlex.split(line)[1:])
        assert done.returncode == 0, (line, done.stderr)


def test_the_readmes_commands_on_files_do_what_it_says(in_process, monkeypatch, dead_three, make_recording,
                                                                 make_csv) -> None:
    folder = in_process.folder
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "settings"))
    prepare_files(folder, dead_three, make_recording, make_csv)
    in_volts = dead_three.rescaled("current", 0.01, "V")
    make_csv(folder / "crank.csv", in_volts, "time (s),current (V),sync (kV)")
    card = next(words for page, words in TYPED if page.name == "README.md" and words[0] == "engine")
    assert in_process(*card).returncode == 0
    ran = []
    for page, words in TYPED:
        if page == TOP / "README.md" and words[0] in RUN:
            done = in_process(*(each for word in words for each in as_a_shell_spreads(word, folder)))
            assert done.returncode == 0, (words, done.stderr)
            ran.append(words[0])
    assert set(ran) == RUN
    assert {"crank.png", "repair.png", "table.parquet", "crank.parquet"} <= set(in_process.left_behind())


def test_every_test_of_the_fault_table_exists() -> None:
    text = (TOP / "tests" / "README.md").read_text(encoding="utf-8")
    table = text[text.index("## What goes wrong") : text.index("## Whether the tests can fail")]
    named_there = re.findall(r"`(test_\w+)`", table)
    there = {name for path in (TOP / "tests").rglob("test_*.py")
             for name in re.findall(r"def (test_\w+)", path.read_text(encoding="utf-8"))}
    assert len(named_there) >= 40
    assert set(named_there) - there == set()
