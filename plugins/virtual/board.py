"""The virtual board: a made-up engine behind a made-up converter, for practice, demonstrations and tests.

It can be had in real time or flat out, with several crankings one after another, and with faults on request.
"""

from __future__ import annotations

import time
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import (
    CONTRACT,
    BoardDeclaration,
    BoardDisconnectedError,
    BoardFound,
    BoardGarbledError,
    BoardStalledError,
    EndOfStream,
    Samples,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.analysis import CURRENT, SYNC, Channel
from crankfold.plugins.virtual.engine import Truth, leak_for, simulate
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.plugins.virtual.plan import Fault, Plan, read_plan
from crankfold.plugins.virtual.settings import SETTINGS
from crankfold.plugins.virtual.signals import Recording, columns, record
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from crankfold.plugins.virtual.signals import Column

crankfold_contract = CONTRACT

NAME = "virtual"
BLOCK_S = 0.02  # a block in real time: short enough that a live trace looks smooth
FLAT_BLOCK = 4096  # samples in a block flat out
SILENCE_S = 1.0  # after this long without a sample the board is called stalled
RESTING_S = 0.5  # of each cranking's own recording after the key is let go, before the rest
FAULT_RPM = 200.0  # the speed that leaks are sized at


class VirtualBoard(Source):
    """A board with a virtual engine on it; opening reads the plan, starting cranks the engine."""

    def __init__(self, plan: Plan, address: str = "") -> None:
        super().__init__()
        self._plan = plan
        self._columns = columns(plan.rig)
        self._true_rate_hz = plan.rig.rate_hz * (1.0 + plan.rig.rate_error)
        channels = tuple(self._channel(column) for column in self._columns)
        self._info = SourceInfo(
            rate_hz=plan.rig.rate_hz, channels=channels, dtype=np.dtype(np.int16), title=plan.title,
            address=address, finite=True, live=plan.real_time, notes={"made by": "the virtual engine; nothing here was "
                                                                      "measured", "seed": str(plan.seed)},
            skew_s=(0.0, plan.rig.skew_s)[: len(channels)])
        self._faults = deque(plan.faults)
        self._segments: Iterator[Recording] = iter(())
        self._codes = np.zeros((0, len(channels)), dtype=np.int16)
        self._arrived = np.zeros(0, dtype=np.bool_)
        self._given = 0  # samples made so far, lost ones included
        self._lost: int | None = 0
        self._began_s = 0.0
        self._quiet_since_s: float | None = None
        self.truths: list[Truth] = []

    @property
    def info(self) -> SourceInfo:
        """What the board says of itself."""
        return self._info

    def unplug(self) -> None:
        """Pull the board out now, as the setting of that name does at a time."""
        self._faults.appendleft(Fault("unplug", self._given / self._true_rate_hz))

    def lose(self, samples: int) -> None:
        """Lose so many samples now, as the setting of that name does at a time."""
        self._faults.appendleft(Fault("lose", self._given / self._true_rate_hz, samples))

    def _channel(self, column: Column) -> Channel:
        scale, unit, name = column.scale, column.unit, SYNC if column.name == "sync" else CURRENT
        if name == CURRENT and self._plan.amperes:
            scale, unit = scale / (self._plan.rig.clamp_mv_per_a * 1e-3), "A"
        return Channel(name, unit, scale, column.offset, (column.low, column.high), "int16")

    def _start(self) -> None:
        bench = self._plan.bench
        for cylinder, percent in self._plan.low:
            position = bench.engine.firing_order.index(cylinder)
            leaking = leak_for(bench.engine, position, percent, FAULT_RPM)
            bench = replace(bench, engine=bench.engine.with_cylinder(cylinder, leaking))
        self._segments = self._cranked(bench)
        self._next_segment()
        self._began_s = time.monotonic()

    def _next_segment(self) -> bool:
        """Go on to the next stretch of the stream; return whether there is one."""
        recording = next(self._segments, None)
        if recording is not None:
            self._codes, self._arrived = recording.codes, recording.arrived
        return recording is not None

    def _cranked(self, bench: Bench) -> Iterator[Recording]:
        """Yield one stretch of the stream after another."""
        plan, start_deg = self._plan, bench.key.start_deg
        for number in range(max(plan.cranks, 1)):
            last = number >= plan.cranks - 1
            on_s = plan.quiet_s if number == 0 else max(plan.rest_s - RESTING_S, 0.0)
            off_s = on_s + (plan.crank_s[number % len(plan.crank_s)] if plan.cranks else 0.0)
            turned = replace(bench, key=KeySpec(on_s, off_s, start_deg))
            run = simulate(turned, off_s + (plan.after_s if last else RESTING_S), seed=plan.seed + number)
            start_deg = float(run.angle_deg[-1] % bench.engine.cycle_deg)
            if plan.cranks:
                self.truths.append(run.truth())
            yield record(run, plan.rig, seed=plan.seed + number)

    def _read(self, timeout_s: float) -> Samples | None:
        if self._faults and self._given >= self._sample_of(self._faults[0]):
            self._befall(self._faults[0], timeout_s)
            return None
        if len(self._codes) == 0 and not self._next_segment():
            raise EndOfStream
        count = min(self._due(timeout_s), len(self._codes))
        if self._faults:
            count = min(count, self._sample_of(self._faults[0]) - self._given)
        return None if count <= 0 else self._take(count)

    def _take(self, count: int) -> Samples | None:
        """Return the samples up to the next that was lost on the way, and how many were lost before them."""
        arrived = self._arrived[:count]
        gone = int(np.argmax(arrived)) if arrived.any() else count
        self._lost = None if self._lost is None else self._lost + gone
        self._advance(gone)
        arrived = arrived[gone:]
        whole = len(arrived) if arrived.all() else int(np.argmin(arrived))
        if not whole:
            return None
        samples = Samples(self._codes[:whole], self._lost)
        self._advance(whole)
        self._lost = 0
        return samples

    def _advance(self, count: int) -> None:
        self._codes, self._arrived = self._codes[count:], self._arrived[count:]
        self._given += count

    def _due(self, timeout_s: float) -> int:
        """Return how many samples may be given now; in real time, wait for the next block to become due."""
        if not self._plan.real_time:
            return FLAT_BLOCK
        block = max(1, round(self._true_rate_hz * BLOCK_S))
        ready_s = self._began_s + (self._given + min(block, len(self._codes))) / self._true_rate_hz
        time.sleep(min(max(ready_s - time.monotonic(), 0.0), max(timeout_s, 0.0)))
        if time.monotonic() < ready_s:
            return 0
        return int((time.monotonic() - self._began_s) * self._true_rate_hz) - self._given

    def _sample_of(self, fault: Fault) -> int:
        return round(fault.at_s * self._true_rate_hz)

    def _befall(self, fault: Fault, timeout_s: float) -> None:
        """Let the fault happen."""
        if fault.kind in ("lose", "lose-unknown"):
            self._lose(fault)
        elif fault.kind == "unplug":
            raise BoardDisconnectedError(f"{self._info.title} was unplugged after {fault.at_s:g} s",
                                         "plug it in again and start again")
        elif fault.kind == "garble":
            raise BoardGarbledError(f"{self._info.title} has sent nonsense from {fault.at_s:g} s on",
                                    "check the baud rate and the cable, then start again")
        else:
            self._stall(fault, timeout_s)

    def _lose(self, fault: Fault) -> None:
        left = fault.samples
        while left > 0 and (len(self._codes) or self._next_segment()):
            dropped = min(left, len(self._codes))
            self._advance(dropped)
            left -= dropped
        self._lost = None if fault.kind == "lose-unknown" else (self._lost or 0) + fault.samples - left
        self._faults.popleft()

    def _stall(self, fault: Fault, timeout_s: float) -> None:
        now = time.monotonic()
        self._quiet_since_s = self._quiet_since_s or now
        if now - self._quiet_since_s > SILENCE_S:
            raise BoardStalledError(f"{self._info.title} has sent nothing since {fault.at_s:g} s",
                                    "check its supply and cable, then start again")
        time.sleep(max(timeout_s, 0.0))


def open_board(address: str, settings: Mapping[str, str]) -> VirtualBoard:
    """Return the virtual board that an address such as ``engine=pump,dead=3`` describes.

    Raises
    ------
    SettingError
        A setting is unknown or has a value that cannot be.
    """
    return VirtualBoard(read_plan(address, settings), address)


def discover(deadline_s: float) -> Iterable[BoardFound]:
    """Return the workshop's engines; they are always there."""
    del deadline_s  # nothing to wait for
    return [BoardFound(f"engine={name}", f"virtual {fleet.title}") for name, fleet in FLEET.items()]


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the virtual board's declaration."""
    return [BoardDeclaration(NAME, "a virtual engine, for practice and demonstrations", open_board, discover, SETTINGS,
                             "settings with commas between, such as engine=pump,dead=3,sync=waste-spark")]

