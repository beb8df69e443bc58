#!/usr/bin/env python3
"""Run the window for an hour beside a board of 2 MS/s that is cranked every minute, and print what it holds on to.

    nice -n 5 python tests/benchmarks/window_hour.py [--minutes 60] [--hold 10]

The board plays a virtual engine at its highest rate and holds each sample ten times, on two channels, in real time;
the window draws to nowhere. A line a minute: memory, frames, threads, open handles, how late a read came. Ends with
status 1 when memory, threads or handles grow after the first ten minutes, or a crank is missed or judged otherwise.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from crankfold.viewer.session import Answered, Broke, Session, SessionPlan, Told, Unjudged, prepare_solver, question_of
from crankfold.viewer.window.asking import NOTHING

sys.path.insert(0, str(Path(__file__).parents[1] / "viewer" / "window"))
from paced_source import PacedSource, codes_of

if TYPE_CHECKING:
    from crankfold.viewer.window.main_window import Window

ENGINE = "engine=pump,dead=3,sync=waste-spark,rate=200000,quiet=4,crank=4,after=4"
EVERY_S = 60.0
LOOKED_AT_S = 12.0  # after an answer, before it is put away and the strip runs on
FIRST_LOOK_S = 40.0  # so that every minute is measured while the strip runs, not while a crank is judged
SETTLED = 10  # minutes; by then two answers are kept and every page of the ring has been written
SOME = 10  # minutes at either end of what is compared
GROWTH_MB = 40.0  # of resident memory after that; one capture more that stays would be over 200 MB
HEAD = """| minute | memory, MB | frames | threads | handles | latest read, ms | cranks judged |
|---|---|---|---|---|---|---|"""


@dataclass(frozen=True)
class Minute:
    """What was measured in a minute."""

    memory_mb: float
    frames: int
    threads: int
    handles: int
    latest_ms: float
    judged: int


class Observed:
    """The window under observation: counts its frames and answers, puts each answer away after a while."""

    def __init__(self, window: Window, board: PacedSource) -> None:
        from PySide6.QtCore import QTimer

        self.window, self.board, self.frames = window, board, 0
        self.answers: Counter[str] = Counter()
        self.trouble: list[str] = []
        self.minutes: list[Minute] = []
        paint, take = window.page.strip.paintEvent, window.take

        def counted(event: Any) -> None:
            self.frames += 1
            paint(event)

        def taken(news: Any) -> None:
            take(news)
            if isinstance(news, Answered):
                low = [c.cylinder for c in news.judged.result.cylinders if c.state in ("low", "dead")]
                self.answers[f"{news.judged.result.verdict}, low: {low}"] += 1
                QTimer.singleShot(round(1000 * LOOKED_AT_S), window._dismiss)
            elif isinstance(news, (Unjudged, Broke, Told)):
                self.trouble.append(str(news))
                print(news, flush=True)

        window.page.strip.paintEvent = counted  # type: ignore[method-assign]
        window.take = taken  # type: ignore[method-assign]

    def look(self) -> None:
        """Measure, print and begin the next minute."""
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        minute = Minute(pages * os.sysconf("SC_PAGE_SIZE") / 1e6, self.frames, threading.active_count(),
                        len(list(Path("/proc/self/fd").iterdir())), 1e3 * self.board.latest_s, self.answers.total())
        self.minutes.append(minute)
        self.frames, self.board.latest_s = 0, 0.0
        print(f"| {len(self.minutes)} | {minute.memory_mb:.0f} | {minute.frames} | {minute.threads} | "
              f"{minute.handles} | {minute.latest_ms:.0f} | {minute.judged} |", flush=True)

    def faults(self) -> list[str]:
        """Return what is not as it should be."""
        found = list(self.trouble)
        settled = self.minutes[min(SETTLED, len(self.minutes) - 1) :]
        if settled[-1].memory_mb - settled[0].memory_mb > GROWTH_MB:
            found.append(f"memory grew from {settled[0].memory_mb:.0f} to {settled[-1].memory_mb:.0f} MB")
        for name in ("threads", "handles"):
            first = max(getattr(minute, name) for minute in settled[:SOME])
            last = min(getattr(minute, name) for minute in settled[-SOME:])
            if last > first:  # Qt's own drawing threads come and go, and their handles
                found.append(f"{name} grew from {first} to {last}")
        if self.answers.total() < self.board.cranks - 1:
            found.append(f"{self.board.cranks} cranks, {self.answers.total()} answers")
        if set(self.answers) - {"uneven, low: [3]"}:
            found.append(f"answers: {dict(self.answers)}")
        return found


def main() -> int:
    """Run and print."""
    from PySide6.QtCore import QTimer

    from crankfold.viewer.window.main_window import Window
    from crankfold.viewer.window.run import Silence, application

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=int, default=60)
    parser.add_argument("--hold", type=int, default=10, help="times each sample is held: 10 makes 2 MS/s")
    asked = parser.parse_args()
    running = application()
    board, window = PacedSource(*codes_of(ENGINE), hold=asked.hold, every_s=EVERY_S), Window(Silence())
    question = question_of({**NOTHING, "firing_order": "1-3-4-2", "sync": "waste-spark:1"})
    observed = Observed(window, board)
    window.resize(1280, 720)
    window.show()
    window.watch(Session(SessionPlan(lambda: board, question, prepare=lambda _: prepare_solver())))
    print(HEAD, flush=True)

    def passed() -> None:
        observed.look()
        if len(observed.minutes) >= asked.minutes:
            running.quit()

    timer = QTimer()
    timer.timeout.connect(passed)
    QTimer.singleShot(round(1000 * FIRST_LOOK_S), lambda: timer.start(60_000))
    began_s, used_s = time.monotonic(), time.process_time()
    running.exec()
    share = (time.process_time() - used_s) / (time.monotonic() - began_s)
    window.close()
    print(f"\n{board.cranks} cranks, answers: {dict(observed.answers)}; {100 * share:.0f} % of a core")
    faults = observed.faults()
    print(*faults or ["steady"], sep="\n")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
