"""The rules for what a source says and gives, one function each."""

from __future__ import annotations

import time
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.contract import Source, SourceInfo
from crankfold.acquire.errors import AcquireError
from crankfold.acquire.testing.outcome import NotTriedError, RuleBrokenError, require, rule
from crankfold.acquire.testing.refusing import must_refuse
from crankfold.acquire.testing.source_case import READ_S, SourceCase, Stretch, is_promise_broken, said_rate_hz
from crankfold.analysis import CURRENT, Notice

if TYPE_CHECKING:
    from numpy.typing import NDArray

FIRST_S = 5.0
"""A board that has not sent a sample this long after its start will not."""

WHOLE_S = 10.0
"""Longest time spent on reading a finite source to its end."""

COMPARED = 200_000
"""Samples of a file that are compared with those of a second reading."""


@rule("info-complete", "an open source says its rate, its channels with the current first, its dtype and its title")
def info_complete(case: SourceCase) -> None:
    """Try it."""
    with case.opened() as source:
        info = source.info
        require(isinstance(info, SourceInfo), f"info is a {type(info).__name__}, not a SourceInfo")
        require(np.isfinite(info.rate_hz) and info.rate_hz > 0, f"the rate is {info.rate_hz!r} samples a second")
        require(info.channels, "there is no channel")
        names = [channel.name for channel in info.channels]
        require(names[0] == CURRENT, f"the first channel is {names[0]!r}, not 'current'")
        require(len(set(names)) == len(names), f"channels share a name: {names}")
        require(np.issubdtype(info.dtype, np.number), f"the dtype {info.dtype} is no number")
        require(info.title.strip() and "\n" not in info.title, f"the title {info.title!r} is not one line of text")
        for channel in info.channels:
            require(channel.code_range is None or channel.code_range[0] < channel.code_range[1],
                    f"the code range of {channel.name!r} is {channel.code_range}")
        require(len(info.skew_s) in {0, len(names)}, f"{len(info.skew_s)} skews are given for {len(names)} channels")
        require(np.isfinite(info.resumes_s) and info.resumes_s >= 0, f"resumes_s is {info.resumes_s!r} seconds")
        require(info.finite or not info.captured, "a captured source has an end, but finite is False")
        require(info.trigger_index is None or info.captured, "a source that is no capture has a trigger index")


@rule("info-stays", "info is the same after opening, while streaming and at the end")
def info_stays(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        first = stretch.source.info
        for _ in stretch.blocks(case.stretch_s):
            require(stretch.source.info == first, "info changed while streaming")
        stretch.source.stop()
        require(stretch.source.info == first, "info changed by stopping")


@rule("opening-does-not-start", "opening does not start the stream: read is refused before start, and start gives no "
                                "samples from before it")
def opening_does_not_start(case: SourceCase) -> None:
    """Try it; half a second between opening and starting would show samples that were gathered in between."""
    pause_s = 0.5
    with case.opened() as source:
        must_refuse(lambda: source.read(READ_S), "read before start")
        if not source.info.live:
            return
        said_rate_hz(source.info)
        time.sleep(pause_s)
        started_s = time.monotonic()
        source.start()
        for block in Stretch(source).blocks(0.2):
            elapsed_s = time.monotonic() - started_s
            require(block.next_index <= source.info.rate_hz * (1.1 * elapsed_s + 0.5 * pause_s),
                    f"{block.next_index} samples came {elapsed_s:.2f} s after start, more than the rate allows: some "
                    "are from before it")


@rule("samples-come", "after start samples come, without an error")
def samples_come(case: SourceCase) -> None:
    """Try it."""
    with case.opened() as source:
        try:
            source.start()
            end_s = time.monotonic() + FIRST_S
            while time.monotonic() < end_s and not source.finished:
                block = source.read(READ_S)
                if block is not None and len(block.codes):
                    _keep_reading(source, case.stretch_s)
                    return
        except AcquireError as error:
            raise RuleBrokenError(f"this came instead: {error}") from error
        except Exception as error:
            raise NotTriedError("see the rules only-known-errors and codes-as-promised") from error
        raise RuleBrokenError("it ended without a sample" if source.finished else f"nothing came within {FIRST_S:g} s")


def _keep_reading(source: Source, seconds: float) -> None:
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s and not source.finished:
        source.read(READ_S)


@rule("only-known-errors", "nothing but an AcquireError ever comes out of start and read")
def only_known_errors(case: SourceCase) -> None:
    """Try it."""
    with case.opened() as source:
        try:
            source.start()
            _keep_reading(source, case.stretch_s)
        except AcquireError as error:
            raise NotTriedError(f"the stream broke: {error}") from error
        except Exception as error:
            if is_promise_broken(error):
                raise NotTriedError("see the rule codes-as-promised") from error
            raise RuleBrokenError(f"a {type(error).__name__} came out: {error}") from error


@rule("codes-as-promised", "codes are (samples, channels) of the dtype and the number of channels that info says")
def codes_as_promised(case: SourceCase) -> None:
    """Try it."""
    with case.opened() as source:
        info = source.info
        try:
            source.start()
            end_s = time.monotonic() + case.stretch_s
            while time.monotonic() < end_s and not source.finished:
                block = source.read(READ_S)
                if block is not None:
                    good = block.codes.ndim == 2 and block.codes.shape[1] == len(info.channels)
                    require(good and block.codes.dtype == info.dtype, f"codes are of shape {block.codes.shape} and "
                            f"dtype {block.codes.dtype}, promised were {len(info.channels)} channels of {info.dtype}")
        except TypeError as error:
            require(not is_promise_broken(error), str(error))
            raise NotTriedError("see the rule only-known-errors") from error
        except RuleBrokenError:
            raise
        except Exception as error:
            raise NotTriedError(f"the stream broke: {error}") from error


@rule("codes-in-range", "codes lie within the code range of their channel, and are finite")
def codes_in_range(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        for block in stretch.blocks(case.stretch_s):
            require(np.isfinite(block.codes).all(), "a code is not finite: a sample that is missing is a loss")
            for column, channel in zip(block.codes.T, stretch.source.info.channels, strict=True):
                if channel.code_range is not None and len(column):
                    low, high = channel.code_range
                    require(low <= column.min() and column.max() <= high,
                            f"codes of {channel.name!r} from {column.min()} to {column.max()} leave {low} to {high}")


@rule("blocks-keep", "a block keeps its content when more is read, and cannot be written to")
def blocks_keep(case: SourceCase) -> None:
    """Try it."""
    kept: list[tuple[NDArray[np.generic], NDArray[np.generic]]] = []
    with case.running() as stretch:
        for block in stretch.blocks(case.stretch_s):
            require(not block.codes.flags.writeable, "the codes of a block can be written to")
            if len(kept) < 16:
                kept.append((block.codes, block.codes.copy()))
    for now, then in kept:
        require(np.array_equal(now, then), "the codes of a block changed after more was read: the driver fills the "
                "same memory again")


@rule("empty-blocks", "nothing is None, not an empty block; a block without samples only tells of a loss")
def empty_blocks(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        for block in stretch.blocks(case.stretch_s):
            require(len(block.codes) or block.lost_before != 0,
                    "a block came that holds no sample and tells of no loss")


@rule("numbering", "blocks are numbered without overlap: each begins where the last ended, plus what was lost")
def numbering(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        blocks = [(b.first_index, b.next_index, b.lost_before or 0) for b in stretch.blocks(case.stretch_s)]
    for (_, end, _), (first, _, lost) in pairwise([(0, 0, 0), *blocks]):
        require(lost >= 0 and first == end + lost, f"a block begins at {first}, the one before ended at {end} and "
                f"{lost} were lost in between")


@rule("end-is-no-error", "a finite source ends: read returns None and finished stays True; others never finish")
def end_is_no_error(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        source = stretch.source
        if not source.info.finite:
            for _ in stretch.blocks(case.stretch_s):
                pass
            require(not source.finished, "finished is True though info says that the source has no end")
            return
        for _ in stretch.blocks(WHOLE_S):
            pass
        if not source.finished:
            raise NotTriedError(f"its end did not come within {WHOLE_S:g} s")
        for _ in range(3):
            require(stretch.read() is None, "a block came after the end")
            require(source.finished, "finished went back to False")


@rule("same-again", "reading a file again gives the same samples")
def same_again(case: SourceCase) -> None:
    """Try it."""
    first, second = _some_samples(case), _some_samples(case)
    require(np.array_equal(first, second), "the second reading gave other samples")


def _some_samples(case: SourceCase) -> NDArray[np.generic]:
    with case.running() as stretch:
        info = stretch.source.info
        if info.live or not info.finite:
            raise NotTriedError("it is no file")
        pieces, count = [np.empty((0, len(info.channels)), info.dtype)], 0
        while count < COMPARED and not stretch.source.finished:
            block = stretch.read()
            if block is not None:
                pieces.append(block.codes)
                count += len(block.codes)
        return np.concatenate(pieces)[:COMPARED]


@rule("warnings-are-sentences", "warnings is a tuple of sentences, one line each; notices are codes and facts")
def warnings_are_sentences(case: SourceCase) -> None:
    """Try it."""
    with case.running() as stretch:
        for _ in stretch.blocks(case.stretch_s):
            pass
        said, told = stretch.source.warnings, stretch.source.notices
    require(isinstance(said, tuple), f"warnings is a {type(said).__name__}")
    for text in said:
        require(isinstance(text, str) and text.strip() and "\n" not in text, f"the warning {text!r} is not one line")
    for notice in told:
        require(isinstance(notice, Notice) and notice.code.strip(), f"the notice {notice!r} has no code")

