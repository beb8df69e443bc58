"""Help in groups with examples, misspelt names that are understood, and results that fit a terminal."""

from __future__ import annotations

import re

import pytest

from crankfold.viewer.command_line import COMMANDS
from crankfold.viewer.helping import COMMAND_GROUPS, EXAMPLES
from crankfold.viewer.words import show_table, speak


def test_every_command_is_in_one_group_and_has_an_example() -> None:
    grouped = [name for names in COMMAND_GROUPS.values() for name in names]
    assert sorted(grouped) == sorted(COMMANDS)
    for name in COMMANDS:
        assert EXAMPLES[name]
        assert all(line.startswith(f"crankfold {name}") for line in EXAMPLES[name])


def test_help_fits_eighty_columns_and_shows_each_group(in_process) -> None:
    said = in_process("--help").stdout
    assert max(map(len, said.splitlines())) <= 80
    for heading in ("Try it without an engine", "Test an engine", "Report and convert", "Many recordings", "Set up"):
        assert f"{heading}:" in said
    about = in_process("analyse", "--help").stdout
    for heading in ("Engine:", "Measurement:", "What you know, and limits:", "Output:", "Examples:"):
        assert heading in about
    assert about.index("Engine:") < about.index("--firing-order") < about.index("Measurement:")


@pytest.mark.parametrize(("line", "said"), [
    (("analize",), "there is no command analize (did you mean analyse?)"),
    (("analyse", "--firng-order", "1-2"), "there is no option --firng-order (did you mean --firing-order?)"),
    (("moonshine",), "there is no command moonshine; see crankfold --help"),
    (("compare", "one.csv"), "AFTER is missing")])
def test_a_misspelt_name_is_answered_with_what_was_meant(in_process, line: tuple[str, ...], said: str) -> None:
    done = in_process(*line)
    assert done.returncode == 2
    assert said in done.stderr


def test_the_other_spelling_is_the_same_command(in_process) -> None:
    assert in_process("analyze", "none.csv", "--firing-order", "1-2").stderr == in_process(
        "analyse", "none.csv", "--firing-order", "1-2").stderr


def test_a_table_fits_eighty_columns_and_cuts_no_word(capsys: pytest.CaptureFixture[str]) -> None:
    sentence = "a rather long word for the state of a cylinder that needs more than one line of the table"
    show_table(["cylinder", "of strongest", "state"], [(["3", "57 %", sentence], True)] * 8)
    printed = capsys.readouterr().out
    assert max(map(len, printed.splitlines())) <= 80
    assert set(sentence.split()) <= set(re.findall(r"\w+", printed))
    assert "\x1b" not in printed  # nobody watches, so there is nothing to colour


@pytest.mark.parametrize(("variable", "coloured"), [("", True), ("1", False)])
def test_no_color_leaves_a_table_plain_on_a_terminal(variable: str, coloured: bool, capsys: pytest.CaptureFixture[str],
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", variable)
    monkeypatch.setenv("FORCE_COLOR", "1")
    show_table(["cylinder"], [(["3"], True)])
    assert ("\x1b" in capsys.readouterr().out) == coloured


def test_help_says_defaults_ranges_and_stand_ins_in_our_words(in_process) -> None:
    text = " ".join(in_process("check", "--help").stdout.split())
    assert "How long to listen. (default 5, 1 to 600)" in text
    assert "x<=" not in text
    speak("de")
    usage = in_process("--language", "de", "sheet", "--help").stdout.splitlines()[0]
    speak(None)
    assert usage == "Aufruf: crankfold sheet [OPTIONEN] DATEI"


def test_a_long_example_can_be_copied_from_help(in_process) -> None:
    lines = in_process("bundle", "--help").stdout.splitlines()
    example = lines[lines.index("Examples:") + 1:]
    assert len(example) > 1
    assert all(line.endswith(" \\") for line in example[:-1])
    assert " ".join(" ".join(example).replace("\\", "").split()) == EXAMPLES["bundle"][0]
