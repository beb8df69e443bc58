"""A lent board for an hour: two channels of 500,000 samples a second from one process to another, its cable cut thrice.

    python tests/benchmarks/network_hour.py --minutes 60

Three processes: one lends a board whose every sample tells its own number, one is the cable between, one reads through
it and compares every sample. The cable goes dead without a word for 5 s at a quarter of the time, is pulled for 10 s at
half of it, and for 45 s, which is longer than the lender keeps, at three quarters. Linux only: it reads ``/proc``.
"""

from __future__ import annotations

import argparse
import os
import select
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from crankfold.acquire import Channel, Samples, Source, SourceInfo
from crankfold.acquire.network import Lender
from crankfold.plugins.network.board import NetworkBoard

RATE_HZ = 500_000.0
BLOCK_S = 0.02
CUTS = ((0.25, "dead", 5.0), (0.5, "pulled", 10.0), (0.75, "pulled", 45.0))
PATIENCE_S = 120.0


class Numbered(Source):
    """Two channels: the low and the high half of each sample's number, as the clock goes."""

    info = SourceInfo(RATE_HZ, tuple(Channel(name, "V", code_dtype="uint16") for name in ("current", "sync")),
                      np.dtype("<u2"), "numbered board")

    def _start(self) -> None:
        self._began_s, self._given = time.monotonic(), 0

    def _read(self, timeout_s: float) -> Samples | None:
        due = int((time.monotonic() - self._began_s) * RATE_HZ) - self._given
        if due < RATE_HZ * BLOCK_S:
            time.sleep(min(timeout_s, BLOCK_S / 2))
            return None
        self._given += due
        return Samples(numbers(self._given - due, due))


def numbers(first: int, count: int) -> np.ndarray:
    """Return the codes of samples from `first` on, shape (count, 2)."""
    return np.arange(first, first + count, dtype="<u4").view("<u2").reshape(-1, 2)


def lend() -> None:
    """Lend the board until standard input ends."""
    with Lender(Numbered, "127.0.0.1", 0, hear=lambda news: print(news, file=sys.stderr, flush=True)) as lender:
        print(lender.port, flush=True)
        sys.stdin.read()


def cable(port: int) -> None:
    """Carry bytes both ways; standard input says ``dead``, ``pulled`` or ``whole``."""
    listening = socket.create_server(("127.0.0.1", 0))
    print(listening.getsockname()[1], flush=True)
    pairs: dict[socket.socket, socket.socket] = {}
    state = "whole"
    while True:
        ready = select.select([sys.stdin, *([] if state != "whole" else [listening, *pairs])], [], [], 1.0)[0]
        for one in ready:
            if one is sys.stdin:
                if not (said := sys.stdin.readline().strip()):
                    return
                if said != "dead" and state != said:
                    for end in pairs:
                        end.close()
                    pairs.clear()
                state = said
                break
            if one is listening:
                near = listening.accept()[0]
                far = socket.create_connection(("127.0.0.1", port))
                pairs |= {near: far, far: near}
            elif one in pairs:
                carry(one, pairs)


def carry(one: socket.socket, pairs: dict[socket.socket, socket.socket]) -> None:
    """Carry what has come on one side to the other; hang up where either has."""
    other = pairs[one]
    try:
        data = one.recv(1 << 16)
        if data:
            other.sendall(data)
            return
    except OSError:
        pass
    for end in (one, other):
        pairs.pop(end, None)
        end.close()


def used(process: int) -> tuple[float, float]:
    """Return the processor's seconds and the resident MiB of a process."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    pages = int(Path(f"/proc/{process}/statm").read_text(encoding="ascii").split()[1])
    return sum(map(int, fields[11:13])) / os.sysconf("SC_CLK_TCK"), pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def role(*words: str) -> subprocess.Popen[str]:
    """Start this script in another role, and give its process."""
    return subprocess.Popen([sys.executable, __file__, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                            text=True)


def told(process: subprocess.Popen[str], word: str) -> None:
    """Tell the cable."""
    assert process.stdin is not None
    process.stdin.write(word + "\n")
    process.stdin.flush()


def follow(board: NetworkBoard, wire: subprocess.Popen[str], seconds: float, watched: dict[str, int]) -> None:
    """Read and compare for so long, cut the cable on the way, and print what came of it."""
    steps = [(share * seconds + after, word) for share, how, away_s in CUTS
             for after, word in ((0.0, how), (away_s, "whole"))]
    board.start()
    began_s = time.monotonic()
    compared = wrong = lost = unknown = 0
    next_index, latest, look_s, most = None, 0.0, 0.0, dict.fromkeys(watched, 0.0)
    while (now_s := time.monotonic() - began_s) < seconds:
        if steps and now_s >= steps[0][0]:
            told(wire, steps[0][1])
            print(f"{now_s:7.1f} s: cable {steps.pop(0)[1]}", flush=True)
        if now_s >= look_s:
            look_s += 10.0
            most = {name: max(most[name], used(process)[1]) for name, process in watched.items()}
        block = board.read(0.1)
        if block is None:
            continue
        if next_index is None:
            next_index = int(np.ascontiguousarray(block.codes[:1]).view("<u4")[0, 0])
            offset = next_index - block.first_index
        if block.lost_before:
            print(f"{now_s:7.1f} s: {block.lost_before:,} samples lost, counted", flush=True)
        lost += block.lost_before or 0
        unknown += block.lost_before is None
        wrong += int((block.codes != numbers(block.first_index + offset, len(block.codes))).any(axis=1).sum())
        compared += len(block.codes)
        latest = max(latest, now_s - block.next_index / RATE_HZ) if not board.warnings else latest
    print(f"{compared:,} samples of two channels compared in {seconds / 60:g} min, {wrong} wrong; {lost:,} counted as "
          f"lost, {unknown} unknown losses; {compared + lost:,} in all, {seconds * RATE_HZ:,.0f} due")
    for name, process in watched.items():
        print(f"{name}: {100 * used(process)[0] / seconds:.1f} % of one core, {most[name]:.0f} MiB at most")


def main() -> None:
    """Run a role, or all of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--role", choices=("lend", "cable"))
    parser.add_argument("--port", type=int, default=0)
    given = parser.parse_args()
    if given.role == "lend":
        lend()
    elif given.role == "cable":
        cable(given.port)
    else:
        with role("--role", "lend") as lender:
            assert lender.stdout is not None
            with role("--role", "cable", "--port", lender.stdout.readline().strip()) as wire:
                assert wire.stdout is not None
                port = wire.stdout.readline().strip()
                with NetworkBoard(f"127.0.0.1:{port}", {"patience": str(PATIENCE_S)}) as board:
                    follow(board, wire, 60.0 * given.minutes,
                           {"lender": lender.pid, "cable": wire.pid, "reader": os.getpid()})
                assert wire.stdin is not None
                wire.stdin.close()
            assert lender.stdin is not None
            lender.stdin.close()


if __name__ == "__main__":
    main()
