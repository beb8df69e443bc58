"""Fuzzing steered by what is reached: bytes that reach new lines of our code are kept and changed further."""

from __future__ import annotations

import random
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

TOP = Path(__file__).resolve().parents[2]
ROOMS = tuple(str(TOP / room) for room in ("acquire", "plugins", "analysis", "viewer"))
TELLING = (b"\0", b"\n", b"\r", b",", b";", b'"', b"-", b"e", b"nan", b"inf", b"1e999", b"9" * 400, b"\xff" * 4,
           b"\x7f\xff\xff\xff", b"[" * 300, b"=", b"#", b"\xef\xbb\xbf", b"\x1b[2J", b"\0" * 16, b"../",
           b"\xe2\x80\xae")
MAX_BYTES = 200_000


@dataclass
class Found:
    """What a run of fuzzing did: executions, inputs kept, steps between lines reached."""

    executions: int
    corpus: list[bytes]
    reached: int


class Coverage:
    """Notes each step from one line of ours to the next, as long as it is on."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int, int]] = set()
        self.fresh = False
        self._own: dict[str, bool] = {}

    @contextmanager
    def on(self) -> Iterator[None]:
        before = sys.gettrace()
        self.fresh = False
        threading.settrace(self._call)  # of the threads that are started meanwhile
        sys.settrace(self._call)
        try:
            yield
        finally:
            sys.settrace(before)
            threading.settrace(None)  # type: ignore[arg-type]

    def _call(self, frame: FrameType, event: str, argument: Any) -> Any:
        name = frame.f_code.co_filename
        own = self._own.get(name)
        if own is None:
            own = self._own[name] = str(Path(name).resolve()).startswith(ROOMS)
        if not own:
            return None
        last = 0

        def line(frame: FrameType, event: str, argument: Any) -> Any:
            nonlocal last
            step = (name, last, frame.f_lineno)
            last = frame.f_lineno
            if step not in self.seen:
                self.seen.add(step)
                self.fresh = True
            return line

        return line


def changed(data: bytes, corpus: Sequence[bytes], chance: random.Random) -> bytes:
    """Return the bytes with one to four changes of the usual kinds."""
    new = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(new) + 1)
        kind = chance.randrange(7)
        if kind == 0 and at < len(new):
            new[at] ^= 1 << chance.randrange(8)
        elif kind == 1 and at < len(new):
            new[at] = chance.randrange(256)
        elif kind == 2:
            new[at:at] = chance.choice(TELLING)
        elif kind == 3:
            del new[at : at + chance.choice((1, 2, 8, 64, 1024))]
        elif kind == 4:
            other = chance.choice(corpus)
            begin = chance.randrange(len(other) + 1)
            new[at : at + chance.randint(0, 32)] = other[begin : begin + chance.randint(1, 64)]
        elif kind == 5:
            del new[at:]
        else:
            piece = bytes(new[at : at + chance.choice((1, 4, 16, 128))])
            new[at:at] = piece * chance.choice((1, 2, 30))
    return bytes(new[:MAX_BYTES])


LEAST = 3  # however slow the machine


def steered(run: Callable[[bytes], None], seeds: Sequence[bytes], *, seconds: float = 1.0,
            executions: int | None = None, seed: int = 0) -> Found:
    """Run `run` on changed seeds for so long or so often; whatever it raises ends the run, with the bytes said."""
    chance, coverage, corpus = random.Random(seed), Coverage(), list(seeds)
    until, done = time.monotonic() + seconds, 0
    waiting = list(seeds)
    while done < executions if executions is not None else (time.monotonic() < until or waiting or done < LEAST):
        data = waiting.pop() if waiting else changed(chance.choice(corpus), corpus, chance)
        try:
            with coverage.on():
                run(data)
        except BaseException as error:
            error.add_note(f"after {done} executions, on the bytes {data[:2000]!r}")
            raise
        done += 1
        if coverage.fresh:
            corpus.append(data)
    return Found(done, corpus, len(coverage.seen))
