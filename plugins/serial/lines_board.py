"""The board that prints numbers: one sample a line, in whatever style it prints, at whatever rate it comes."""

from __future__ import annotations

import time
from collections import deque
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from crankfold.acquire import (
    CONTRACT,
    AcquireError,
    BoardDeclaration,
    BoardGarbledError,
    BoardStalledError,
    Samples,
    Setting,
    SettingError,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.analysis import Notice
from crankfold.plugins.serial.grammar import Writing
from crankfold.plugins.serial.line_columns import plan_columns
from crankfold.plugins.serial.line_decoder import LineDecoder, Lines
from crankfold.plugins.serial.line_jumps import JumpWatch
from crankfold.plugins.serial.line_opening import Asked, listen
from crankfold.plugins.serial.line_timing import ArrivalWatch, TimeLoss
from crankfold.plugins.serial.port import SerialPort, known_settings, number_setting
from crankfold.plugins.serial.ports import ADDRESS_HELP, discover

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from crankfold.plugins.serial.line_opening import Heard

crankfold_contract = CONTRACT

NAME = "serial-lines"
DEFAULT_BAUD = 115_200

SILENCE_S = 0.7
"""No whole line for this long is said within the second that people notice."""

SILENT_LINES = 4

FULL_READ = 3500
"""Bytes in one read that mean more are waiting: a terminal's buffer holds 4,095."""

GARBLED_S = 0.5
"""Stretch of time in which more broken lines than sound ones mean that something is wrong, not a spark's crackle."""

RATE_TOLERANCE = 0.02
"""A second of arrivals tells the rate to about 1 %; a setting further off than twice that is wrong."""

SETTINGS = (
    Setting("baud", "bits a second on the line, as the sketch sets it", "57600", str(DEFAULT_BAUD),
            kind="number", lowest=300, highest=20e6),
    Setting("columns", "what each number of a line is, with its unit in brackets if it is not printed: current, sync, "
            "battery, pressure, time, a name of your own, or - to leave out; found unless given",
            "time,current,battery(V),-"),
    Setting("numbers", "how numbers are written: decimal, comma (2,5 for 2.5) or hex; found unless given", "hex",
            kind="choice", choices=tuple(writing.value for writing in Writing)),
    Setting("pattern", "one line as it is printed, numbers as {name}, changing text as {*}; only for odd lines",
            "I{current} S{sync} {*}"),
    Setting("on-open", "what to send so that the board begins; \\n for a line end, \\x03 for any byte", "s\\n"),
    Setting("on-close", "what to send before the port is closed", "x\\n"),
    Setting("full-scale", "what one step above the highest code stands for, with its unit", "5V"),
    Setting("bits", "bits of the converter whose codes are printed", "10", kind="whole", lowest=1, highest=31),
    Setting("rate", "lines a second, checked against what comes; measured unless given", "500", kind="number",
            lowest=1, highest=1e6),
)


class LineBoard(Source):
    """A board that prints numbers; opening listens for about a second to learn style, columns and rate."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        super().__init__()
        known_settings(settings, tuple(setting.name for setting in SETTINGS), NAME)
        baud = number_setting(settings, "baud", DEFAULT_BAUD, lowest=300, highest=20e6)
        told_hz = number_setting(settings, "rate", None, lowest=1, highest=1e6)
        asked = Asked(_writing(settings), settings.get("pattern", ""), _bytes(settings, "on-open"))
        self._farewell = _bytes(settings, "on-close")
        self._ready: deque[Samples] = deque()
        self._held: deque[Samples] = deque()
        self._settled: list[Notice] = []
        self._torn = 0
        self._port = SerialPort(address, int(baud or DEFAULT_BAUD), board=NAME)
        try:
            heard = listen(self._port, asked)
            self._plan = plan_columns(heard, settings)
        except BaseException:
            self._close()
            raise
        self._rate_hz = self._plan.rate_hz
        self._note(heard, settings, told_hz)
        self._decoder = LineDecoder(heard.style, self._plan.limits)
        current = self._plan.picked[0]
        self._jumps = JumpWatch(current, heard.style.steps[current])
        self._jumps.learn(heard.values)
        found = self._plan.time
        self._times = TimeLoss(found, step=heard.style.steps[found.column]) if found else None
        self._watch = ArrivalWatch(self._rate_hz)
        self._info = SourceInfo(self._rate_hz, self._plan.channels, self._plan.dtype,
                                f"board that prints numbers ({self._port.port.title})",
                                address=self._port.port.address, columns=self._plan.seen,
                                guessed=self._plan.guessed or bool(_unsaid(heard, settings)))
        self._reset_counts()

    def _reset_counts(self) -> None:
        now = time.monotonic()
        self._count = 0
        self._sound_s = now
        self._bytes_since_sound = 0
        self._begin_look(now)

    def _begin_look(self, now_s: float) -> None:
        self._looked_s, self._sound_since_look = now_s, 0
        self._looked_broken, self._looked_hexadecimal = self._decoder.broken, self._decoder.hexadecimal_lines

    def _note(self, heard: Heard, settings: Mapping[str, str], told_hz: float | None) -> None:
        if guess := _unsaid(heard, settings):
            self._settled.append(Notice("numbers-guessed", {"why": guess}))
        if self._plan.guessed:
            self._settled.append(Notice("columns-unsaid", {"columns": heard.style.columns}))
        if heard.style.checksum is False:
            self._settled.append(Notice("checksum-unknown"))
        if told_hz is None:
            return
        if abs(self._rate_hz / told_hz - 1) > RATE_TOLERANCE:
            self._settled.append(Notice("rate-against-setting", {"said_hz": told_hz, "rate_hz": self._rate_hz}))
        elif self._plan.time is None:
            self._rate_hz = told_hz

    @property
    def info(self) -> SourceInfo:
        """What was learnt while opening."""
        return self._info

    @property
    def measured_rate_hz(self) -> float | None:
        """Lines a second by the board's own time column, None where it prints none."""
        return self._times.rate_hz if self._times is not None else None

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was survived so far."""
        counts = {"lines-left-out": self._decoder.broken + self._jumps.damaged, "lines-lost": self._torn}
        survived = [Notice(code, {"count": count}) for code, count in counts.items() if count]
        return (*super().notices, *self._settled, *survived)

    def _start(self) -> None:
        self._ready.clear()
        self._held.clear()
        self._port.discard_input()
        self._decoder.begin()
        self._jumps.restart()
        self._watch.restart()
        if self._times is not None:
            self._times.restart()
        self._reset_counts()

    def _read(self, timeout_s: float) -> Samples | None:
        deadline = time.monotonic() + timeout_s
        while not self._ready:
            left = deadline - time.monotonic()
            data = self._port.read(max(0.0, min(left, SILENCE_S / 2)))
            now = time.monotonic()
            self._bytes_since_sound += len(data)
            for lines in self._decoder.feed(data):
                for sound in self._jumps.sift(lines):
                    self._take(sound, now)
            if self._times is None and len(data) < FULL_READ:
                self._judge_lateness(now)
            self._look_after_board(now)
            if not self._ready and now >= deadline:
                return None
        return self._ready.popleft()

    def _take(self, lines: Lines, now_s: float) -> None:
        """Queue sound lines, cut where some are missing."""
        self._sound_s, self._bytes_since_sound = now_s, 0
        self._sound_since_look += len(lines.values)
        codes = self._plan.codes(lines.values)
        if self._times is None:
            self._count += lines.broken_before + len(codes)
            self._held.append(Samples(codes, lines.broken_before))
            return
        begin = 0
        lost: int | None = 0
        for row, missing in self._times.before(lines.values[:, self._times.column]):
            if row > begin:
                self._ready.append(Samples(codes[begin:row], lost))
            begin, lost = row, missing
        self._ready.append(Samples(codes[begin:], lost))

    def _judge_lateness(self, now_s: float) -> None:
        """Hand on what is held, unless lines are late; throw it away once lines are known to be missing within."""
        if self._watch.note(now_s, self._count):
            self._torn += 1
            self._held.clear()
            self._held_torn = True
        elif not self._watch.suspicious and self._held:
            if self._held_torn:
                self._held[0] = Samples(self._held[0].codes, None)
                self._held_torn = False
            self._ready.extend(self._held)
            self._held.clear()

    _held_torn = False

    def _look_after_board(self, now_s: float) -> None:
        """Raise when the board is silent or makes no sense; called right after the port was read."""
        where = self._port.port.device
        quiet_s = now_s - self._sound_s
        if quiet_s >= max(SILENCE_S, SILENT_LINES / self._rate_hz):
            if self._bytes_since_sound:
                raise BoardGarbledError(f"the last {quiet_s:.1f} s from {where} hold no line of numbers",
                                        "check the cable and the baud rate, then start again")
            raise BoardStalledError(f"the board at {where} has printed nothing for {quiet_s:.1f} s",
                                    "check its supply and cable, then start again")
        if now_s - self._looked_s >= GARBLED_S:
            broken = self._decoder.broken - self._looked_broken
            hexadecimal = self._decoder.hexadecimal_lines - self._looked_hexadecimal
            if self._decoder.hexadecimal is not None and hexadecimal > max(SILENT_LINES, broken / 2):
                shown = self._decoder.hexadecimal.decode("ascii", "replace")
                raise BoardGarbledError(f"the lines from {where} were taken for decimal numbers and are hexadecimal, "
                                        f"for example {shown!r}", "add the setting numbers=hex")
            if broken > max(self._sound_since_look, SILENT_LINES):
                raise BoardGarbledError(f"{broken} of the last {broken + self._sound_since_look} lines from {where} "
                                        "are broken", "check the cable and its ground, and that no other program "
                                        "reads this port")
            self._begin_look(now_s)

    def _close(self) -> None:
        if self._farewell:
            with suppress(AcquireError):  # a board that is gone needs no farewell
                self._port.write(self._farewell)
                self._port.flush()
        self._port.close()


def _unsaid(heard: Heard, settings: Mapping[str, str]) -> str:
    """Return what was guessed of how numbers are written, unless a person has said what there is."""
    return "" if settings.get("columns") or settings.get("numbers") else heard.style.guess


def _writing(settings: Mapping[str, str]) -> Writing | None:
    text = settings.get("numbers", "").strip().lower()
    if text and text not in [writing.value for writing in Writing]:
        raise SettingError(f"numbers={text} cannot be used", "give decimal, comma or hex")
    return Writing(text) if text else None


def _bytes(settings: Mapping[str, str], name: str) -> bytes:
    r"""Return what a setting with escapes (``s\n``) stands for."""
    text = settings.get(name, "")
    try:
        return text.encode("latin-1").decode("unicode_escape").encode("latin-1")
    except ValueError as error:
        raise SettingError(f"{name}={text} cannot be used", "write it like s\\n, other bytes like \\x03") from error


def open_board(address: str, settings: Mapping[str, str]) -> Source:
    """Return the board at `address`, its style, columns and rate learnt."""
    return LineBoard(address, settings)


discover_boards = partial(discover, NAME, "a board that prints numbers")


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the declaration of this board."""
    return (BoardDeclaration(NAME, "board that prints numbers, one sample a line, over a serial line", open_board,
                             discover_boards, SETTINGS, ADDRESS_HELP),)
