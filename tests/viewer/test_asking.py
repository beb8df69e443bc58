"""Rigs and engine cards made by asking on a terminal, and by options; what they keep is checked."""

from __future__ import annotations

import os
import subprocess
import time

import pytest


@pytest.fixture
def asked(crankfold):
    """Return a call of the command with answers typed at a terminal."""
    crankfold.environment["XDG_CONFIG_HOME"] = str(crankfold.folder / "settings")

    def call(answers: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        keyboard, terminal = os.openpty()
        try:
            os.write(keyboard, answers.encode())
            return subprocess.run([crankfold.command, *arguments], stdin=terminal, cwd=crankfold.folder, text=True,
                                  env=crankfold.environment, capture_output=True, check=False)
        finally:
            os.close(keyboard)
            os.close(terminal)

    return call


def test_an_engine_by_asking(asked, crankfold) -> None:
    done = asked("1-3-3-2\n1-3-4-2\n5\n\n\nwaste-spark\nspark\n12\nHarbour Workshop\n", "engine", "pump")
    assert done.returncode == 0, done.stderr
    assert "cylinder 3 twice" in done.stdout
    assert "2 or 4" in done.stdout
    for line in ("firing_order = 1-3-4-2", "strokes = 4", "ignition = waste-spark", "fuel = spark", "system_v = 12",
                 "notes = Harbour Workshop"):
        assert line in done.stdout
    assert (crankfold.folder / "settings/crankfold/engines/pump.toml").is_file()


def test_a_rig_by_asking_and_a_capture_with_no_more_typing(asked, crankfold) -> None:
    answers = ["nosuch:1", "virtual:dead=2,quiet=1.8,after=1,crank=2.4,unit=V", "speed=9", "sync=cam", "10mV", "10mV/A",
               "cam:1@200", "on the cart"]
    done = asked("\n".join(answers) + "\n", "rig", "cart")
    assert done.returncode == 0, done.stderr
    assert "virtual:engine=pump" in done.stdout
    assert "there is no kind of board called nosuch:1; there are" in done.stdout
    assert "this board has no setting speed" in done.stdout
    assert "probe '10mV' is not understood" in done.stdout
    assert "Next: crankfold check --rig cart, on a quiet cable." in done.stdout
    assert asked("1-3-4-2\n\n\n\n\n\n\n", "engine", "pump").returncode == 0
    done = asked("", "capture", "--rig", "cart", "--engine", "pump", "--once")
    assert done.returncode == 0, done.stderr
    assert "Cylinder 2 has no compression." in done.stdout


def test_nobody_is_asked_where_nobody_sits(crankfold) -> None:
    crankfold.environment["XDG_CONFIG_HOME"] = str(crankfold.folder / "settings")
    done = crankfold("rig", "cart")
    assert done.returncode == 2
    assert done.stderr.startswith("there is no rig called 'cart'; none has been saved yet")
    assert crankfold("check", "--from", "virtual", "--calibrate", "0A,200A").stderr.startswith(
        "--calibrate saves the scale in a rig; name it with --rig")


def test_a_crank_that_was_cut_off_is_saved_at_the_next_start(crankfold) -> None:
    """The program is killed while it cranks."""
    command = [crankfold.command, "capture", "--from", "virtual:quiet=1.6,crank=20", "--firing-order", "1-3-4-2",
               "--out", "kept"]
    with subprocess.Popen(command, cwd=crankfold.folder, env=crankfold.environment, stdout=subprocess.PIPE,
                          text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("Cranking."):
                break
        for _ in range(600):
            if any(path.stat().st_size > 40_000 for path in (crankfold.folder / "kept").glob("*.journal")):
                break
            time.sleep(0.1)
        process.kill()
    assert len(list((crankfold.folder / "kept").glob("*.journal"))) == 1
    done = crankfold("capture", "--from", "virtual:quiet=0.1,crank=0.3,after=0.1", "--firing-order", "1-3-4-2", "--out",
                     "kept")
    assert "A cranking test that was cut off earlier has been saved as kept/" in done.stdout
    saved = min((crankfold.folder / "kept").glob("*.h5"))
    assert not list((crankfold.folder / "kept").glob("*.journal"))
    again = crankfold("analyse", saved, "--firing-order", "1-3-4-2", "--json", "-")
    assert again.returncode in (0, 3), again.stderr
    assert '"verdict"' in again.stdout


def test_a_kept_card_is_not_changed_without_a_word(in_process, monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    assert in_process("engine", "pump", "--firing-order", "1-3-4-2").returncode == 0
    done = in_process("engine", "pump", "--firing-order", "1-2-4-3", "--fuel", "diesel")
    assert "Changed: firing_order was 1-3-4-2, now 1-2-4-3." in done.stdout
    assert "Changed: fuel was -, now diesel." in done.stdout
    assert in_process("rig", "cart", "--from", "virtual", "--probe", "10mV/A").returncode == 0
    assert "Changed: probe was 10mV/A, now 4mV/A." in in_process("rig", "cart", "--probe", "4mV/A").stdout
    assert "Changed" not in in_process("rig", "cart", "--probe", "4mV/A").stdout
