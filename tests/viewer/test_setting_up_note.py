"""The note on setting up is true: each of its commands is run and prints the lines that the note shows."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

NOTE = Path(__file__).resolve().parents[2] / "hardware_notes" / "setting-up.md"


def test_every_command_of_the_note_prints_what_it_shows(crankfold) -> None:
    crankfold.environment["XDG_CONFIG_HOME"] = str(crankfold.folder / "settings")
    steps = re.findall(r"```sh\n(.*?)\n```\n\n```text\n(.*?)\n```", NOTE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(steps) == 5
    for command, shown in steps:
        name, *arguments = shlex.split(command)
        assert name == "crankfold"
        done = crankfold(*arguments)
        assert done.returncode == 0, done.stderr
        at = 0
        for line in shown.split("\n"):
            assert line in done.stdout[at:], (command, line)
            at += done.stdout[at:].index(line)
    assert len(list((crankfold.folder / "captures").glob("*.h5"))) == 1


def test_the_bells_of_the_note_are_those_that_ring() -> None:
    from crankfold.viewer.session import Phase
    from crankfold.viewer.session.signals import BELLS

    rows = re.findall(r"^\| (once|twice|\w+ times) \|", NOTE.read_text(encoding="utf-8"), re.MULTILINE)
    words = {"once": 1, "twice": 2, "three times": 3, "four times": 4, "five times": 5, "eight times": 8}
    phases = (Phase.ARMED, Phase.EVEN, Phase.NAMED, Phase.REFUSED, Phase.LOST, Phase.REST)
    assert [words[row] for row in rows] == [BELLS[phase] for phase in phases]
