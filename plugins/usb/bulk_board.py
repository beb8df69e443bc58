"""Vendor-class USB boards that stream samples through a bulk endpoint, each described by a small TOML file.

``--from usb-bulk:1209:0001 --set description=my_board.toml``; a description that lies in the user's folder of boards is
found by the ids and needs no naming. The file's keys are explained in ``hardware_notes/usb-bulk.md``.
"""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING

from crankfold.acquire import (
    AcquireError,
    BoardDeclaration,
    BoardFound,
    BoardGarbledError,
    BoardStalledError,
    Capabilities,
    Samples,
    Setting,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.analysis import Notice
from crankfold.plugins.usb.device import attached, find_device, found
from crankfold.plugins.usb.folder import closed_on_error, find_description, listed_boards, user_folder
from crankfold.plugins.usb.interface import ClaimedInterface

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from crankfold.plugins.usb.description import BoardDescription
    from crankfold.plugins.usb.transfers import TransferQueue

crankfold_contract = 1

NAME = "usb-bulk"
SHORTEST_WRAP_S = 1.0  # a sequence number that wraps sooner cannot count a loss of a second
MAX_STALE_BYTES = 1 << 22  # more than any board's own memory: then it is still streaming, not emptying itself
STALE_WAIT_S = 0.02


class UsbBulkSource(Source):
    """A vendor-class board being read.

    Parameters
    ----------
    description
        Its description.
    held
        Its claimed interface.
    rate_hz
        Samples a second asked for.
    """

    def __init__(self, description: BoardDescription, held: ClaimedInterface, rate_hz: float) -> None:
        from crankfold.plugins.usb.packets import PacketDecoder

        super().__init__()
        self._description, self._held = description, held
        self._packet_bytes = held.packet_bytes(description.endpoint)
        self._numbers = description.rate.numbers(rate_hz)
        rate_hz = self._set_rate(rate_hz)
        samples = description.samples
        self._info = SourceInfo(rate_hz, samples.channels, samples.native, description.title, str(held.address),
                                skew_s=samples.skew_s)
        self._decoder = PacketDecoder(samples, description.packet)
        self._queue: TransferQueue | None = None
        self._pending: deque[Samples] = deque()
        self._heard_s = 0.0
        self._started_before = False
        self._stalls = 0

    @property
    def info(self) -> SourceInfo:
        """What the board's description and the board itself say."""
        return self._info

    @property
    def notices(self) -> tuple[Notice, ...]:
        """Stalls survived, damaged packets, and a sequence number that is too short."""
        counts = {"board-stalled": self._stalls, "packets-left-out": self._decoder.damaged}
        said = [Notice(code, {"count": count}) for code, count in counts.items() if count]
        wrap_s = self._decoder.wrap_instants / self._info.rate_hz
        if 0.0 < wrap_s < SHORTEST_WRAP_S:
            said.append(Notice("short-sequence", {"wrap_s": wrap_s}))
        return (*super().notices, *said)

    def _set_rate(self, rate_hz: float) -> float:
        """Tell the board its rate and return the one that is in force."""
        rule = self._description.rate
        for command in rule.set:
            command.send(self._held, self._numbers)
        if rule.question is None:
            return rule.actual_hz(self._numbers, rate_hz)
        answer = rule.question.ask(self._held)
        if not answer:
            raise BoardGarbledError(f"USB board {self._held.address} answers {answer} when asked for its "
                                    f"{rule.question.gives}", "compare [rate.ask] in the description with its manual")
        if rule.question.gives == "divider" and rule.clock_hz:
            return rule.clock_hz / answer
        return float(answer)

    def _start(self) -> None:
        from crankfold.plugins.usb.packets import PacketDecoder
        from crankfold.plugins.usb.transfers import TransferQueue

        description = self._description
        self._throw_away_stale()
        self._decoder = PacketDecoder(description.samples, description.packet, resumed=self._started_before)
        self._started_before = True
        self._pending.clear()
        size = description.transfer_size(self._info.rate_hz, self._packet_bytes)
        self._queue = TransferQueue(self._held, description.endpoint, transfer_bytes=size, depth=description.depth)
        self._queue.start()
        for command in description.start:
            command.send(self._held, self._numbers)
        self._heard_s = time.monotonic()

    def _throw_away_stale(self) -> None:
        """Read what a program that died left in the board: it belongs to no stream of ours."""
        for command in self._description.stop:
            command.send(self._held, self._numbers)
        seen = 0
        while self._description.stop and seen < MAX_STALE_BYTES:
            try:
                seen += len(self._held.read(self._description.endpoint, 1 << 16, STALE_WAIT_S))
            except BoardStalledError:
                return
            except BoardGarbledError:
                self._held.clear_halt(self._description.endpoint)
                return

    def _read(self, timeout_s: float) -> Samples | None:
        if not self._pending:
            self._fetch(timeout_s)
        return self._pending.popleft() if self._pending else None

    def _fetch(self, timeout_s: float) -> None:
        """Take transfers until one brought whole samples or the time is up."""
        assert self._queue is not None  # the base reads only between start and stop
        deadline = time.monotonic() + timeout_s
        while not self._pending:
            arrival = self._queue.take(max(0.0, deadline - time.monotonic()))
            now = time.monotonic()
            if arrival is None:
                self._check_silence(now)
                return
            self._pending.extend(self._decoder.feed(arrival.data, ended_short=arrival.ended_short))
            if arrival.data:
                self._heard_s = now
            if arrival.interrupted:
                self._decoder.interrupt()
                self._stalls = self._queue.stalls
            if now > deadline:
                return

    def _check_silence(self, now_s: float) -> None:
        quiet_s = now_s - self._heard_s
        if quiet_s > self._description.silence_s:
            raise BoardStalledError(f"USB board {self._held.address} has sent nothing for {quiet_s:.1f} s",
                                    "unplug it, plug it in again and repeat; if it stays so, check [[start]] in its "
                                    "description")

    def _stop(self) -> None:
        queue, self._queue = self._queue, None
        try:
            for command in self._description.stop:
                command.send(self._held, self._numbers)
        except AcquireError:
            pass  # a board that is gone needs no stopping, and whoever read it has been told
        finally:
            if queue is not None:
                queue.close()

    def _close(self) -> None:
        self._held.close()


def open_board(address: str, settings: Mapping[str, str]) -> UsbBulkSource:
    """Return the open board at `address`, ``VID:PID[:SERIAL]``; an empty one means the only board of its kind.

    Raises
    ------
    AcquireError
        It is not there, cannot be opened, or its description is missing or wrong.
    """
    from crankfold.plugins.usb.description import read_description

    description, wanted = find_description(address, settings, read_description, user_folder(NAME))
    rate_hz = description.rate.choose(settings.get("rate"))
    held = ClaimedInterface(find_device(wanted), description.interface, alternate=description.alternate,
                            configuration=description.configuration)
    with closed_on_error(held):
        return UsbBulkSource(description, held, rate_hz)


def discover(deadline_s: float) -> Iterable[BoardFound]:
    """Return the attached boards that a description in the user's folder fits."""
    from crankfold.plugins.usb.description import read_description

    until = time.monotonic() + deadline_s
    return listed_boards(NAME, "USB boards", read_description, lambda folder: [
        found(device, description.title, _can(description)) for ids, description in folder.known.items()
        for device in attached(*ids) if time.monotonic() < until])


def _can(description: BoardDescription) -> Capabilities:
    samples = description.samples
    return Capabilities(len(samples.channels), description.rate.highest_hz, samples.bits)


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the declaration of described USB boards."""
    return (BoardDeclaration(
        name=NAME, title="USB board described by a TOML file (vendor class, bulk endpoint)", open=open_board,
        discover=discover, address_help="VID:PID or VID:PID:SERIAL, as lsusb prints them: 1209:0001:HW7",
        settings=(
            Setting("description", "file that says how the board speaks", "my_board.toml"),
            Setting("rate", "samples a second of each channel", "20000"),
        )),)
