"""What the person in the driver's seat hears while the screen is out of sight: tones from a loudspeaker, or bells.

Tones are played by whatever player the system has; without one, the terminal's bell rings in patterns that can be
counted. Either way in a thread of its own, so that nothing waits for a sound.
"""

from __future__ import annotations

import queue
import shutil
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from crankfold.acquire import Happening
from crankfold.viewer.session.standing import Phase
from crankfold.viewer.session.tones import tone_wav

if TYPE_CHECKING:
    from crankfold.acquire import Event
    from crankfold.analysis import Result

BELL, TONES, OFF = "bell", "tones", "off"
KINDS = (BELL, TONES, OFF)

BELLS = {Phase.ARMED: 1, Phase.EVEN: 2, Phase.NAMED: 3, Phase.UNNAMED: 3, Phase.REFUSED: 4, Phase.LOST: 5,
         Phase.REST: 8}
"""Strokes of the bell: one to crank, two for even, three for a low one, four for no verdict, five for a lost board,
and a long ringing to stop."""

BELL_EVERY_S = 0.3  # slow enough to count; terminals swallow faster ones
PLAYERS = (("paplay",), ("pw-play",), ("aplay", "-q"), ("afplay",), ("play", "-q"))
PLAYER_DEADLINE_S = 6.0  # the longest tone lasts one second
LEAST_S = 3.0  # for the last sound, before the program ends


class Voice(Protocol):
    """Something that sounds the signal of a phase, and returns when it is over."""

    def sound(self, phase: Phase) -> None:
        """Sound it."""

    def close(self) -> None:
        """Let go of everything."""


class Bells:
    """The terminal's own bell, on whichever of the two outputs is a terminal."""

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop
        self._out = next((out for out in (sys.stderr, sys.stdout) if out.isatty()), None)

    def sound(self, phase: Phase) -> None:
        """Ring as often as the phase asks for."""
        for _ in range(BELLS.get(phase, 0) if self._out is not None else 0):
            assert self._out is not None
            self._out.write("\a")
            self._out.flush()
            if self._stop.wait(BELL_EVERY_S):
                return

    def close(self) -> None:
        """Nothing is held."""


class Player:
    """The system's player of sound files; one that fails is replaced by bells."""

    def __init__(self, command: tuple[str, ...], stop: threading.Event) -> None:
        self._command, self._bells, self._works = command, Bells(stop), True
        self._folder = tempfile.TemporaryDirectory(prefix="crankfold-tones-")

    def sound(self, phase: Phase) -> None:
        """Play the tone of the phase."""
        if self._works:
            path = Path(self._folder.name) / f"{phase.value}.wav"
            if not path.exists():
                path.write_bytes(tone_wav(phase))
            self._works = _played(self._command, path)
        if not self._works:
            self._bells.sound(phase)

    def close(self) -> None:
        """Take the tones' files away."""
        self._folder.cleanup()


def _played(command: tuple[str, ...], path: Path) -> bool:
    try:
        if command:
            subprocess.run([*command, str(path)], check=True, timeout=PLAYER_DEADLINE_S, stdin=subprocess.DEVNULL,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        elif sys.platform == "win32":
            import winsound

            winsound.PlaySound(str(path), winsound.SND_FILENAME)
    except (OSError, RuntimeError, subprocess.SubprocessError):
        return False
    return True


def player() -> tuple[str, ...] | None:
    """Return the command that plays a sound file, an empty one where Python can do it, None where nothing can."""
    if sys.platform == "win32":
        return ()
    return next((command for command in PLAYERS if shutil.which(command[0])), None)


class Signals:
    """Signals of one of the `KINDS`, sounded one after the other in the background.

    Parameters
    ----------
    kind
        Tones become bells where no player is found.
    """

    def __init__(self, kind: str) -> None:
        self._stop = threading.Event()
        self._waiting: queue.SimpleQueue[Phase | None] = queue.SimpleQueue()
        self._voice = self._voice_of(kind)
        self._thread = threading.Thread(target=self._run, name="signals", daemon=True)
        if self._voice is not None:
            self._thread.start()

    def _voice_of(self, kind: str) -> Voice | None:
        command = player() if kind == TONES else None
        if command is not None:
            return Player(command, self._stop)
        return None if kind == OFF else Bells(self._stop)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def event(self, event: Event) -> None:
        """Sound what happens while recording."""
        phase = {Happening.ARMED: Phase.ARMED, Happening.REST: Phase.REST, Happening.CRANKING: Phase.CRANKING}.get(
            event.what)
        if phase is not None:
            self.sound(phase)

    def result(self, result: Result) -> None:
        """Sound a verdict."""
        self.sound({"even": Phase.EVEN, "uneven": Phase.NAMED, "limit": Phase.NAMED}.get(result.verdict, Phase.REFUSED))

    def lost(self) -> None:
        """Sound that the board is gone."""
        self.sound(Phase.LOST)

    def sound(self, phase: Phase) -> None:
        """Sound the signal of a phase after those that wait."""
        if self._voice is not None:
            self._waiting.put(phase)

    def close(self) -> None:
        """Let the last signals sound, but not for long."""
        if self._voice is None:
            return
        self._waiting.put(None)
        self._thread.join(LEAST_S)
        self._stop.set()

    def _run(self) -> None:
        assert self._voice is not None
        try:
            while (phase := self._waiting.get()) is not None:
                self._voice.sound(phase)
        finally:
            self._voice.close()
