"""The board that sends checked binary frames over a serial line: every sample that is missing is counted."""

from __future__ import annotations

import time
from collections import deque
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import (
    CONTRACT,
    AcquireError,
    BoardDeclaration,
    BoardGarbledError,
    BoardStalledError,
    Samples,
    Setting,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.analysis import Channel, Notice
from crankfold.plugins.serial import frame_format as fmt
from crankfold.plugins.serial.frame_codec import FrameDecoder, FrameLoss, encode_frame
from crankfold.plugins.serial.frame_format import named_inputs
from crankfold.plugins.serial.port import SerialPort, known_settings, number_setting
from crankfold.plugins.serial.ports import ADDRESS_HELP, discover

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

crankfold_contract = CONTRACT

NAME = "serial-frames"
DEFAULT_BAUD = 1_000_000

RESET_S = 4.0
"""Opening the port resets many boards, whose loader then listens for a while before the firmware answers."""

ASK_AGAIN_S = 0.25
"""A command that was lost is sent again after this long."""

ANSWER_S = 1.0
"""Longest time for an answer of a board that has answered before; a loaded computer included."""

SILENCE_S = 0.7
"""No sound frame for this long is said within the second that people notice; a slow board gets `SILENT_FRAMES`."""

SILENT_FRAMES = 4

RATE_TOLERANCE = 0.01
"""A board's rate that differs by more from the one asked for is said: 1 % is about what a crystal divider misses."""

SETTINGS = (
    Setting("baud", "bits a second on the line, as the firmware was built", "500000", str(DEFAULT_BAUD)),
    Setting("rate", "samples a second of each channel; the nearest the board can, its highest unless given", "10000"),
    Setting("channels", "what the board's channels are, in their order: current, sync, battery, pressure, a name of "
            "your own, or - to leave out; or the numbers of current and sync; the first two unless given",
            "current,sync,battery,-"),
)


class FrameBoard(Source):
    """A board that speaks the open frame format; opening asks it what it is and leaves it stopped."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        super().__init__()
        known_settings(settings, tuple(setting.name for setting in SETTINGS), NAME)
        baud = number_setting(settings, "baud", DEFAULT_BAUD, lowest=1200, highest=20e6)
        rate_hz = number_setting(settings, "rate", None, lowest=1, highest=50e6)
        self._decoder = FrameDecoder()
        self._ready: deque[Samples] = deque()
        self._early: deque[NDArray[np.uint8]] = deque()
        self._settled: list[Notice] = []
        self._restarts = 0
        self._port = SerialPort(address, int(baud or DEFAULT_BAUD), board=NAME)
        try:
            self._introduce(settings.get("channels", ""), rate_hz)
        except BaseException:
            self._port.close()
            raise
        self._loss = FrameLoss(frame_samples=self._hello.frame_samples, rate_hz=self._hello.rate_hz)
        self._silence_s = max(SILENCE_S, SILENT_FRAMES * self._hello.frame_samples / self._hello.rate_hz)
        self._sound_s = 0.0
        self._bytes_since_sound = 0
        self._info = self._describe()

    @property
    def info(self) -> SourceInfo:
        """What the board said of itself."""
        return self._info

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was survived so far."""
        counts = {"frames-left-out": self._decoder.damaged, "board-restarted": self._restarts}
        survived = [Notice(code, {"count": count}) for code, count in counts.items() if count]
        return (*super().notices, *self._settled, *survived)

    def _introduce(self, channels: str, rate_hz: float | None) -> None:
        """Ask what the board is, choose its inputs, and set the rate."""
        hello = self._command(fmt.build_command(fmt.STOP), RESET_S)
        inputs = hello.inputs or len(hello.channels)
        self._named = named_inputs(channels, inputs)
        if not channels.strip() and inputs > len(self._named):
            self._settled.append(Notice("inputs-unused", {"inputs": inputs, "used": len(self._named)}))
        self._chosen = [each.number for each in self._named]
        if hello.inputs:
            hello = self._choose_inputs()
            self._chosen = [sorted(self._chosen).index(number) for number in self._chosen]
        asked = hello.highest_rate_hz if rate_hz is None else rate_hz
        self._hello = self._command(fmt.build_command(fmt.RATE, round(asked)), ANSWER_S)
        if abs(self._hello.rate_hz / asked - 1) > RATE_TOLERANCE:
            self._settled.append(Notice("rate-not-met", {"asked_hz": asked, "rate_hz": self._hello.rate_hz,
                                                         "highest_hz": self._hello.highest_rate_hz}))

    def _choose_inputs(self) -> fmt.Hello:
        return self._command(fmt.build_inputs(each.number for each in self._named), ANSWER_S)

    def _command(self, payload: bytes, patience_s: float) -> fmt.Hello:
        """Send a command until the board answers it; frames after the answer are kept for later."""
        frame = encode_frame(payload)
        deadline = time.monotonic() + patience_s
        heard, damaged = 0, self._decoder.damaged
        while time.monotonic() < deadline:
            self._port.write(b"\0" + frame)  # the zero ends whatever half command the board may hold
            again = time.monotonic() + ASK_AGAIN_S
            while (left := again - time.monotonic()) > 0:
                data = self._port.read(left)
                heard += len(data)
                hello = self._find_answer(payload[0], self._decoder.feed(data))
                if hello is not None:
                    self._decoder.damaged = damaged  # what is cut off before an answer is no part of the stream
                    return hello
        raise self._no_answer(heard)

    def _find_answer(self, command: int, runs: Iterator[NDArray[np.uint8]]) -> fmt.Hello | None:
        answer: fmt.Hello | None = None
        self._early.clear()
        for run in runs:
            if answer is not None:
                self._early.append(run)
            elif run[0, 0] == fmt.HELLO:
                hello = _parse(run[-1].tobytes())
                answer = hello if hello.answers == command else None
        if answer is not None and answer.refused:
            raise BoardGarbledError("the board does not carry out a command of the frame format",
                                    "update its firmware")
        return answer

    def _no_answer(self, heard: int) -> AcquireError:
        where = self._port.port.device
        if heard:
            return BoardGarbledError(f"what comes from {where} at {self._port.baud} baud is not the frame format",
                                     "check the baud rate, or use serial-lines if this board prints numbers")
        return BoardStalledError(f"nothing answers at {where} at {self._port.baud} baud",
                                 "check that the board has power and firmware that speaks the frame format")

    def _describe(self) -> SourceInfo:
        hello = self._hello
        picked = [hello.channels[index] for index in self._chosen]
        channels = tuple(Channel(each.name, "V", channel.scale_v, channel.offset_v, hello.code_range,
                                 fmt.DTYPES[hello.layout].name)
                         for each, channel in zip(self._named, picked, strict=True))
        skew_s = tuple(channel.skew_s - picked[0].skew_s for channel in picked)
        return SourceInfo(hello.rate_hz, channels, fmt.DTYPES[hello.layout], hello.title or "board with frames",
                          address=self._port.port.address, skew_s=skew_s if any(skew_s) else ())

    def _start(self) -> None:
        self._ready.clear()
        self._port.discard_input()
        self._decoder.reset()
        self._begin(torn=False)

    def _begin(self, *, torn: bool) -> None:
        self._command(fmt.build_command(fmt.START), ANSWER_S)
        self._sound_s = time.monotonic()
        self._bytes_since_sound = 0
        self._loss.restart(self._sound_s, torn=torn)
        while self._early:
            self._take(self._early.popleft())

    def _read(self, timeout_s: float) -> Samples | None:
        deadline = time.monotonic() + timeout_s
        while not self._ready:
            left = deadline - time.monotonic()
            data = self._port.read(max(0.0, min(left, self._silence_s / 2)))
            self._bytes_since_sound += len(data)
            for run in list(self._decoder.feed(data)):
                self._take(run)
            self._watch()
            if not self._ready and time.monotonic() >= deadline:
                return None
        return self._ready.popleft()

    def _watch(self) -> None:
        """Raise when no sound frame has come for too long; called right after the port was emptied."""
        quiet_s = time.monotonic() - self._sound_s
        if quiet_s < self._silence_s:
            return
        if self._bytes_since_sound:
            raise BoardGarbledError(f"the last {quiet_s:.1f} s from {self._port.port.device} hold no valid frame",
                                    "check the cable, and that no other program changes the port's speed")
        raise BoardStalledError(f"the board at {self._port.port.device} has sent nothing for {quiet_s:.1f} s",
                                "check its supply and cable, then start again")

    def _take(self, frames: NDArray[np.uint8]) -> None:
        if frames[0, 0] == fmt.HELLO:
            self._greet(_parse(frames[-1].tobytes()))
            return
        if frames.shape[1] != self._hello.data_bytes or not (frames[:, 0] == fmt.DATA).all():
            self._decoder.damaged += len(frames)
            return
        self._sound_s = time.monotonic()
        self._bytes_since_sound = 0
        codes = fmt.unpack(frames, self._hello.layout, len(self._hello.channels))[:, self._chosen]
        sequence, overrun = fmt.sequences(frames)
        begin = 0
        lost: int | None = 0
        for frame, missing in self._loss.before(sequence, overrun, self._sound_s):
            at = frame * self._hello.frame_samples
            if at > begin:
                self._ready.append(Samples(codes[begin:at], lost))
            begin, lost = at, missing
        self._ready.append(Samples(codes[begin:], lost))

    def _greet(self, hello: fmt.Hello) -> None:
        if hello.answers == fmt.START:  # a command that was sent twice begins the stream twice
            self._loss.restart(time.monotonic(), torn=True)
        if hello.answers:
            return
        self._restarts += 1
        if hello.inputs:
            hello = self._choose_inputs()
        if hello.rate_hz != self._hello.rate_hz:
            self._command(fmt.build_command(fmt.RATE, round(self._hello.rate_hz)), ANSWER_S)
        self._begin(torn=True)

    def _stop(self) -> None:
        try:
            self._port.write(encode_frame(fmt.build_command(fmt.STOP)))
        except AcquireError:
            return  # a board that is gone has stopped

    def _close(self) -> None:
        self._port.close()


def _parse(payload: bytes) -> fmt.Hello:
    try:
        return fmt.parse_hello(payload)
    except ValueError as error:
        raise BoardGarbledError(f"the board introduces itself in a way that cannot be read: {error}",
                                "update its firmware or this program") from error


def open_board(address: str, settings: Mapping[str, str]) -> Source:
    """Return the board at `address`, asked what it is, stopped."""
    return FrameBoard(address, settings)


discover_boards = partial(discover, NAME, "a board that sends frames")


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the declaration of this board."""
    return (BoardDeclaration(NAME, "board that sends checked binary frames over a serial line", open_board,
                             discover_boards, SETTINGS, ADDRESS_HELP),)
