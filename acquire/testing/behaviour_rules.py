"""The rules for how a source behaves: in time, when samples are lost, when it breaks or is stopped, on any thread."""

from __future__ import annotations

import threading
import time
from itertools import pairwise
from typing import TYPE_CHECKING

from crankfold.acquire.errors import AcquireError
from crankfold.acquire.testing.outcome import NotTriedError, RuleBrokenError, require, rule
from crankfold.acquire.testing.refusing import must_refuse
from crankfold.acquire.testing.source_case import CANNOT_OPEN, READ_S, SourceCase, Stretch, said_rate_hz

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.contract import Block, Source

SLACK_S = 0.5
"""How much longer than its time-out a read may take: longer and stopping feels broken."""

START_S = 5.0
"""How long start may take: a board may restart for it."""

END_S = 3.0
"""How long stop and close may take together, and how soon a broken board is told."""

RATE_TOLERANCE = 0.1
"""A short stretch and blocks that come in bursts allow no sharper look; a wrong unit or a wrong divider shows."""

MEASURED_TOLERANCE = 0.02
"""How far a rate found from the source's own time stamps may be from the one it says."""

CATCH_UP_S = 3.0
"""What was held while the reader slept is handed on faster than it came."""

FIRST_PAUSE_S = 0.7
"""Of a slow reader; short, so that small queues are found soon."""

MEASURED_BLOCKS = 4
"""Fewer blocks than this tell no rate."""


@rule("in-time", "start and read come back in time: read within its time-out and half a second, whatever comes")
def in_time(case: SourceCase) -> None:
    """Try it with several time-outs, zero among them."""
    with case.opened() as source:
        began_s = time.monotonic()
        stretch = Stretch(source)
        try:
            source.start()
        except Exception as error:
            raise NotTriedError(f"see the rule samples-come: {error}") from error
        require(time.monotonic() - began_s < START_S, f"start took {time.monotonic() - began_s:.1f} s")
        end_s = time.monotonic() + case.stretch_s
        while time.monotonic() < end_s and not source.finished:
            for timeout_s in (0.0, READ_S, 0.2):
                asked_s = time.monotonic()
                stretch.read(timeout_s)
                took_s = time.monotonic() - asked_s
                require(took_s <= timeout_s + SLACK_S, f"read({timeout_s:g}) came back after {took_s:.2f} s")


@rule("rate-is-true", "samples come, losses counted, at the rate that info says")
def rate_is_true(case: SourceCase) -> None:
    """Try it: by arrival times on a live source, by its own time stamps otherwise."""
    with case.running() as stretch:
        info = stretch.source.info
        said_rate_hz(info)
        blocks = list(stretch.blocks(max(1.0, case.stretch_s) if info.live else case.stretch_s))
        measured_hz = stretch.source.measured_rate_hz
        if measured_hz is not None and len(blocks) >= MEASURED_BLOCKS:
            require(abs(measured_hz / info.rate_hz - 1) <= MEASURED_TOLERANCE, f"by its own time stamps "
                    f"{measured_hz:.6g} samples come a second, info says {info.rate_hz:.6g}")
        if not info.live:
            return
        rate_hz, allowed = _arrival_rate(blocks)
        require(abs(rate_hz / info.rate_hz - 1) <= RATE_TOLERANCE + allowed, f"{rate_hz:.6g} samples came a second, "
                f"info says {info.rate_hz:.6g}")


def _arrival_rate(blocks: list[Block]) -> tuple[float, float]:
    """Return samples a second by arrival, and the share by which blocks and pauses between them leave that open."""
    blocks = [block for block in blocks if len(block.codes)]
    if len(blocks) < MEASURED_BLOCKS or any(block.lost_before is None for block in blocks):
        raise NotTriedError("too few blocks came, or some were lost, to measure a rate")
    first, last = blocks[0], blocks[-1]
    count, seconds = last.next_index - first.next_index, last.arrived_s - first.arrived_s
    if seconds <= 0:
        raise NotTriedError("all blocks came at once")
    pause_s = max(after.arrived_s - before.arrived_s for before, after in pairwise(blocks))
    return count / seconds, max(max(len(block.codes) for block in blocks) / count, pause_s / seconds)


@rule("slow-reader", "what is lost while the reader is slow is counted, or said to be unknown; never silently")
def slow_reader(case: SourceCase) -> None:
    """Try it with a short pause and a long one, until a loss is told: the numbering must keep pace with the clock."""
    with case.running() as stretch:
        if not stretch.source.info.live:
            raise NotTriedError("it is not live, it waits for its reader")
        before = list(stretch.blocks(max(0.5, case.stretch_s)))
        rate_hz = min(_arrival_rate(before)[0], said_rate_hz(stretch.source.info))  # a burst would overstate it
        for pause_s in (min(FIRST_PAUSE_S, case.pause_s), case.pause_s):
            if _told_after(pause_s, stretch, before, rate_hz, max(0.5, case.stretch_s)):
                return


def _told_after(pause_s: float, stretch: Stretch, before: list[Block], rate_hz: float, stretch_s: float) -> bool:
    """Return whether a loss is told after a pause of the reader; break the rule when one is not."""
    time.sleep(pause_s)
    after = [*_what_waits(stretch, CATCH_UP_S + pause_s), *stretch.blocks(stretch_s)]
    if not after or stretch.source.finished:
        raise NotTriedError("it ended during the pause")
    if any(block.lost_before is None for block in after):
        return True
    largest = max(len(block.codes) for block in before)
    missing = rate_hz * (_lateness_s(after, rate_hz) - _lateness_s(before, rate_hz))
    seconds = after[-1].arrived_s - before[0].arrived_s
    require(missing <= RATE_TOLERANCE * rate_hz * seconds + 2 * largest, f"after a pause of {pause_s:g} s about "
            f"{missing:.0f} samples are missing and {sum(block.lost_before or 0 for block in after)} are counted")
    return any(block.lost_before for block in after)


def _what_waits(stretch: Stretch, most_s: float) -> list[Block]:
    """Return what was held back meanwhile, however many blocks it comes in."""
    found: list[Block] = []
    end_s = time.monotonic() + most_s
    while time.monotonic() < end_s and (block := stretch.read(0.0)) is not None:
        found.append(block)
    return found


def _lateness_s(blocks: list[Block], rate_hz: float) -> float:
    """Return how late the timeliest block was; a busy computer delays blocks for a while, lost samples for good."""
    return min(block.arrived_s - block.next_index / rate_hz for block in blocks)


@rule("loss-is-counted", "samples lost on the way are counted exactly, or said to be unknown")
def loss_is_counted(case: SourceCase) -> None:
    """Try it with the loss that the case provokes."""
    if case.lose is None:
        raise NotTriedError("nobody said how to make it lose samples")
    with case.running() as stretch:
        stretch.first_block()
        lost = case.lose(stretch.source)
        told: list[int | None] = [block.lost_before for block in stretch.blocks(max(1.0, case.stretch_s))]
    require(any(count != 0 for count in told), "samples were lost and no block says so")
    if lost is not None and None not in told:
        counted = sum(count or 0 for count in told)
        require(counted == lost, f"{lost} samples were lost, {counted} are counted")


@rule("breaking-is-told", "what breaks the stream is raised as an AcquireError that says what to do, and soon")
def breaking_is_told(case: SourceCase) -> None:
    """Try it with the break that the case provokes."""
    with case.running() as stretch:
        error = _break(case, stretch)
        require(isinstance(error, AcquireError), f"a {type(error).__name__} came instead of an AcquireError: {error}")
        if isinstance(error, AcquireError):
            require(error.what.strip() and error.remedy.strip(), f"the error does not say what to do: {error}")


def _break(case: SourceCase, stretch: Stretch) -> Exception:
    if case.break_it is None:
        raise NotTriedError("nobody said how to break it")
    stretch.first_block()
    case.break_it(stretch.source)
    end_s = time.monotonic() + END_S
    while time.monotonic() < end_s:
        try:
            stretch.source.read(READ_S)
        except Exception as error:
            return error
        require(not stretch.source.finished, "the break was taken for the end of the stream")
    raise RuleBrokenError(f"no error came within {END_S:g} s after it broke")


@rule("closes-when-broken", "a source that broke can still be stopped and closed")
def closes_when_broken(case: SourceCase) -> None:
    """Try it."""
    source = case.open()
    try:
        source.start()
        try:
            _break(case, Stretch(source))
        except RuleBrokenError as error:
            raise NotTriedError(f"see the rule breaking-is-told: {error}") from error
    except BaseException:
        source.close()
        raise
    _ends(source, [source.stop, source.close, source.close], "after the break")


@rule("stop-and-close-any-time", "stop and close may be called at any time, twice too, and come back soon")
def stop_and_close_any_time(case: SourceCase) -> None:
    """Try it before start, twice, while streaming, and after a stop."""
    for started, read, how in ((False, False, "before start"), (True, False, "right after start"),
                               (True, True, "while streaming")):
        for stopped in (False, True):
            try:
                source = case.open()
            except AcquireError as error:
                raise NotTriedError(f"{CANNOT_OPEN}: {error}") from error
            if started:
                source.start()
            if read:
                _quietly(source)
            ends = [source.stop, source.stop, source.close, source.close] if stopped else [source.close, source.close]
            _ends(source, ends, how)


def _quietly(source: Source) -> None:
    try:
        source.read(READ_S)
    except Exception as error:
        source.close()
        raise NotTriedError(f"the stream broke: {error}") from error


def _ends(source: Source, calls: list[Callable[[], None]], how: str) -> None:
    began_s = time.monotonic()
    for call in calls:
        try:
            call()
        except Exception as error:
            raise RuleBrokenError(f"{call.__name__} {how} raised a {type(error).__name__}: {error}") from error
    took_s = time.monotonic() - began_s
    require(took_s < END_S, f"{' and '.join(call.__name__ for call in calls)} {how} took {took_s:.1f} s")


@rule("refused-after-the-end", "read is refused after stop, start after close")
def refused_after_the_end(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        source = stretch.source
        source.stop()
        must_refuse(lambda: source.read(READ_S), "read after stop")
        source.close()
        must_refuse(source.start, "start after close")


@rule("any-one-thread", "any one thread may own the stream: opened on one, started, read and closed on another")
def any_one_thread(case: SourceCase) -> None:
    """Try it."""
    said: list[Exception] = []

    def own() -> None:
        try:
            source.start()
            end_s = time.monotonic() + min(case.stretch_s, 0.5)
            while time.monotonic() < end_s and not source.finished:
                source.read(READ_S)
            source.stop()
            source.close()
        except Exception as error:
            said.append(error)

    with case.running() as stretch:  # what goes wrong on one thread too is not this rule's business
        list(stretch.blocks(min(case.stretch_s, 0.5)))
    with case.opened() as source:
        thread = threading.Thread(target=own, name="another thread", daemon=True)
        thread.start()
        thread.join(START_S + END_S)
        require(not thread.is_alive(), "it hangs when another thread reads than the one that opened it")
        require(not said, f"on another thread than the one that opened it: {said[0]!r}" if said else "")


@rule("close-lets-go", "close lets go: no thread stays behind, and the same board or file opens again at once")
def close_lets_go(case: SourceCase) -> None:
    """Try it."""
    before = set(threading.enumerate())
    with case.running() as stretch:
        stretch.first_block()
    end_s = time.monotonic() + END_S
    while (left := [t.name for t in threading.enumerate() if t not in before]) and time.monotonic() < end_s:
        time.sleep(0.02)
    require(not left, f"threads are left behind: {', '.join(left)}")
    try:
        source = case.open()
    except AcquireError as error:
        raise RuleBrokenError(f"it does not open again: {error}") from error
    try:
        source.start()
        Stretch(source).first_block()
    except AcquireError as error:
        raise RuleBrokenError(f"it does not start again: {error}") from error
    finally:
        source.close()
