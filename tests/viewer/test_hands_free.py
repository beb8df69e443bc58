"""Capture from the driver's seat: three cranks in a row, what is heard, Ctrl-C, and a starter that needs rest."""

from __future__ import annotations

import json
import os
import re
import signal
import stat
import subprocess
import termios
import threading
import time
import wave
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from crankfold.acquire import Event, Happening, Probe, RecordingPlan, Rig, SourceInfo, load_plugins, open_board, record
from crankfold.acquire.stream.plan import CRANK_AT_MOST_S
from crankfold.analysis import Channel, InputError
from crankfold.viewer.picture.big_words import big_words
from crankfold.viewer.session import Phase, Signals, plan_of
from crankfold.viewer.session.signals import BELLS
from crankfold.viewer.words import narrator

ORDER = "1-3-4-2"
BELL = "\a"
LONG_S = 200.0  # for what certainly comes, also on a machine with much else to do


class OnATerminal:
    """The installed command on a terminal of its own, everything it prints read as it comes."""

    def __init__(self, crankfold, *arguments: str) -> None:
        self.master, slave = os.openpty()
        termios.tcsetwinsize(slave, (30, 100))
        environment = {k: v for k, v in crankfold.environment.items() if k not in ("COLUMNS", "LINES")}
        self.process = subprocess.Popen([crankfold.command, *arguments], cwd=crankfold.folder,
                                        env=environment, stdin=slave, stdout=slave, stderr=slave)
        os.close(slave)
        self.said = ""
        self._more = threading.Condition()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        pending = b""
        while True:
            try:
                pending += os.read(self.master, 65536)
            except OSError:
                return
            text = pending.decode("utf-8", "ignore")
            with self._more:
                self.said, pending = self.said + text, b""
                self._more.notify_all()

    def wait_for(self, words: str, *, times: int = 1) -> None:
        """Wait until it has said these words so often."""
        with self._more:
            assert self._more.wait_for(lambda: self.said.count(words) >= times, LONG_S), self.said

    def ended(self) -> int:
        """Return its exit status, once it ends."""
        status = self.process.wait()
        self._reader.join()
        return status

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join()
        os.close(self.master)


@pytest.fixture
def on_a_terminal(crankfold) -> Iterator:
    made: list[OnATerminal] = []

    def start(*arguments: str) -> OnATerminal:
        made.append(OnATerminal(crankfold, *arguments))
        return made[-1]

    yield start
    for one in made:
        one.close()


def test_three_cranks_one_of_them_too_short(on_a_terminal, crankfold) -> None:
    run = on_a_terminal("capture", "--from", "virtual:cranks=3,crank=2.4+0.8+2.4,quiet=0.4,rest=4,after=1,dead=3,"
                        "sync=waste-spark", "--firing-order", ORDER, "--sync", "waste-spark:1", "--large", "--out",
                        "kept", "--json", "latest.json")
    assert run.ended() == 0, run.said
    said = run.said.replace("\r\n", "\n")
    heard = said.count(BELL)
    said = said.replace(BELL, "")
    for order in (("10 seconds at most", "Don't touch the key until you see", "You cranked before it was ready"),
                  ("Cylinder 3 has no compression.", "Why no verdict", "No verdict: not cranked long enough.",
                   "3 cranks were analysed:"), ("Armed. Crank.", "Cranking.")):  # the analysis has a pace of its own
        places = [said.index(words) for words in order]
        assert places == sorted(places), said
    assert said.count("█") > 100
    assert re.findall(r"^[123]\. .*$", said, re.MULTILINE) == [
        "1. Cylinder 3 has no compression.", "2. No verdict: not cranked long enough.",
        "3. Cylinder 3 has no compression."], said
    assert json.loads((crankfold.folder / "latest.json").read_text())["low"] == [3]
    verdicts = [json.loads(path.read_text()) for path in sorted((crankfold.folder / "kept").glob("*.json"))]
    assert [(v["verdict"], [r["code"] for r in v["reasons"]][:1]) for v in verdicts] == [
        ("uneven", []), ("none", ["too-short"]), ("uneven", [])]
    assert len(list((crankfold.folder / "kept").glob("*.h5"))) == 3
    assert not list((crankfold.folder / "kept").glob("*.journal"))
    due = 2 * BELLS[Phase.ARMED] + 2 * BELLS[Phase.NAMED] + BELLS[Phase.REFUSED]
    assert heard in (due, due + BELLS[Phase.ARMED])  # armed once more if the quiet after lasts


def test_ctrl_c_while_cranking_keeps_and_judges_what_came(on_a_terminal, crankfold) -> None:
    run = on_a_terminal("capture", "--from", "virtual:crank=20,quiet=1.8,dead=2", "--firing-order", ORDER, "--sound",
                        "off", "--out", "kept")
    run.wait_for("Cranking.")
    time.sleep(2.0)
    run.process.send_signal(signal.SIGINT)
    assert run.ended() == 0, run.said
    assert "One crank was analysed:" in run.said
    assert "1. One cylinder has no compression." in run.said
    assert "Traceback" not in run.said
    assert BELL not in run.said
    assert sorted(Path(name).suffix for name in crankfold.left_behind()) == sorted(
        ["", ".h5", ".html", ".json", ".png", ".svg"])


def test_a_crank_of_more_than_ten_seconds_is_told_to_stop_while_it_lasts(capsys) -> None:
    heard: list[Event] = []
    tell = narrator(aside=False)

    def listen(event: Event) -> None:
        heard.append(event)
        tell(event)

    board = open_board("virtual:quiet=2,crank=12,pace=flat", {}, load_plugins())
    (capture,) = record(board, RecordingPlan(each_crank=True), on_event=listen)
    assert [event.what for event in heard][:4] == [Happening.FILLING, Happening.ARMED, Happening.CRANKING,
                                                   Happening.REST]
    assert heard[3].seconds - heard[2].seconds == pytest.approx(CRANK_AT_MOST_S, abs=0.5)
    assert capture.duration_s > 12.0
    assert "Cranking.\nStop cranking. Let the starter rest for a minute.\n" in capsys.readouterr().out


def test_tones_go_to_the_player_that_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    player = tmp_path / "paplay"
    player.write_text(f'#!/bin/sh\n/bin/cp "$1" "{tmp_path}/$(/usr/bin/basename "$1")"\n')
    player.chmod(player.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", str(tmp_path))
    with Signals("tones") as signals:
        signals.event(Event(Happening.ARMED, 0, 0.0))
        signals.lost()
    played = sorted(path.name for path in tmp_path.glob("*.wav"))
    assert played == ["armed.wav", "lost.wav"]
    with wave.open(str(tmp_path / "armed.wav")) as file:
        assert 0.2 < file.getnframes() / file.getframerate() < 1.0


@pytest.mark.parametrize("player", ["#!/bin/sh\nexit 1\n", None])
def test_without_a_player_tones_become_bells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                             player: str | None) -> None:
    if player is not None:
        (tmp_path / "aplay").write_text(player)
        (tmp_path / "aplay").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    rung: list[str] = []

    class Terminal:
        def isatty(self) -> bool:
            return True

        def write(self, text: str) -> int:
            rung.append(text)
            return len(text)

        def flush(self) -> None:
            pass

    monkeypatch.setattr("sys.stderr", Terminal())
    with Signals("tones") as signals:
        signals.sound(Phase.EVEN)
    assert rung == [BELL] * BELLS[Phase.EVEN]


def test_no_two_signals_sound_alike_and_none_is_endless() -> None:
    told = {phase: count for phase, count in BELLS.items() if phase is not Phase.UNNAMED}
    assert len(set(told.values())) == len(told)
    assert all(1 <= count <= 8 for count in told.values())


@pytest.mark.parametrize(("columns", "lines"), [(79, 24), (119, 40), (200, 60)])
def test_large_letters_fill_the_screen_and_fit_it(columns: int, lines: int) -> None:
    drawn = big_words("Cylinder 3 has no compression.", columns, lines)
    assert 6 <= len(drawn) <= lines
    assert 0.5 * columns < max(map(len, drawn)) <= columns
    assert set("".join(drawn)) <= set(" ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█")


def test_a_small_screen_gets_the_sentence_as_it_is() -> None:
    assert big_words("Cylinder 3 has no compression.", 20, 5) == ["Cylinder 3 has no compression."]


def test_the_trigger_knows_amperes_from_rig_and_probe() -> None:
    """Columns, reversal and probe as for the capture itself; what does not go together is said at once."""
    channels = (Channel("first", "", 1.0, 0.0, (0, 1023), "int16"), Channel("second", "V", 0.01, -2.5, None, "int16"))
    info = SourceInfo(500.0, channels, np.dtype(np.int16), "a board that prints numbers")
    rig = Rig("serial-lines", probe="10mV/A", channels=("sync", "current"), reversed_channels=("current",),
              pre_trigger_s=2.0, max_crank_s=20.0)
    plan = plan_of(info, rig=rig, probe=None, journal_folder=None)
    assert (plan.current_column, plan.pre_trigger_s, plan.max_crank_s) == (1, 2.0, 20.0)
    assert plan.current is not None
    assert plan.current.unit == "A"
    assert (plan.current.scale, plan.current.offset) == (pytest.approx(-1.0), pytest.approx(250.0))
    with pytest.raises(InputError, match="names 2 channels"):
        plan_of(SourceInfo(500.0, channels[:1], info.dtype, "one"), rig=rig, probe=None, journal_folder=None)
    with pytest.raises(InputError, match="no channel 'current'"):
        plan_of(info, rig=None, probe=Probe.parse("10mV/A"), journal_folder=None)


def test_a_lost_board_is_said_until_it_is_back(capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    from crankfold.acquire import BoardDisconnectedError, BoardNotFoundError
    from crankfold.analysis import Engine
    from crankfold.viewer import session
    from crankfold.viewer.commands import capture

    clock = [100.0]
    monkeypatch.setattr(capture.time, "monotonic", lambda: clock[0])
    way = capture.Way(aside=False, large=False, out=None, picture=None, json_path=None, count=None, patient=True)
    question = SimpleNamespace(rig=None, engine=Engine((1, 3, 4, 2)))
    run = capture.Run(question, "bench", {}, way, session.Signals("off"))
    lost, absent = BoardDisconnectedError("it is gone", "plug it in"), BoardNotFoundError("none", "plug it in")
    run._hear(session.Broke("it is gone", "plug it in", lost, waiting=True))
    for _ in range(25):
        clock[0] += 1.0
        run._hear(session.NoBoard("none", "plug it in", absent))
    run._hear(session.Opened("bench"))
    said = capsys.readouterr().out
    assert said.count("Still no board after") == 2
    assert "Still no board after 20 s" in said
    assert said.rstrip().endswith("The board is back.")
