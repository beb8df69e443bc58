"""How fast the window draws, as ratios in one run, and what it costs beside a fast board and a judge at work."""

from __future__ import annotations

import os
import pathlib
import sys
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pytest

from crankfold.acquire import Samples, Source, SourceInfo, load_plugins, open_board, record
from crankfold.analysis import Channel
from crankfold.viewer.picture import Box, Path, StripScales, look
from crankfold.viewer.picture.strip_drawing import trace_line
from crankfold.viewer.session import Session, SessionPlan, judge, prepare_solver, question_of
from crankfold.viewer.window.asking import NOTHING

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "viewer" / "window"))
from paced_source import PacedSource, codes_of

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PySide6.QtWidgets import QApplication

    from crankfold.viewer.window.main_window import Window

POINTS = 1_000_000
BOX = Box(0.0, 0.0, 1280.0, 480.0)
INK, PLUM = "#26211a", "#7a2f6b"
RATE_HZ = 2e6
BLOCK = 40_000


@pytest.fixture(scope="module")
def application() -> QApplication:
    from crankfold.viewer.window.run import application as made

    return made()


class Silent:
    def sound(self, phase: Any) -> None:
        """Sound nothing."""


class FastBoard(Source):
    """Two channels of noise at 2 MS/s in real time; `latest_s` is how late a read ever came."""

    def __init__(self) -> None:
        super().__init__()
        self.codes = np.random.default_rng(0).integers(-40, 40, (100 * BLOCK, 2), dtype=np.int16)
        self.given, self.latest_s, self.began_s = 0, 0.0, 0.0
        channels = (Channel("current", "A", 0.5, 0.0, (-2048, 2047), "int16"),
                    Channel("sync", "V", 0.1, 0.0, (-2048, 2047), "int16"))
        self._info = SourceInfo(RATE_HZ, channels, np.dtype(np.int16), "fast board")

    @property
    def info(self) -> SourceInfo:
        return self._info

    def _start(self) -> None:
        self.began_s = time.monotonic()

    def _read(self, timeout_s: float) -> Samples | None:
        due_s = self.began_s + (self.given + BLOCK) / RATE_HZ
        self.latest_s = max(self.latest_s, time.monotonic() - due_s)
        time.sleep(min(max(due_s - time.monotonic(), 0.0), timeout_s))
        if time.monotonic() < due_s:
            return None
        at = self.given % len(self.codes)
        self.given += BLOCK
        return Samples(self.codes[at : at + BLOCK])


def best_s(*calls: Callable[[], Any], repeats: int = 12) -> list[float]:
    best = [float("inf")] * len(calls)
    for _ in range(repeats):
        for index, call in enumerate(calls):
            began = time.perf_counter()
            call()
            best[index] = min(best[index], time.perf_counter() - began)
    return best


def currents() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    time_s = np.arange(POINTS) / 1e5
    hash_a = 20.0 * np.random.default_rng(0).standard_normal(POINTS)
    current = hash_a + 200.0 * np.abs(np.sin(20.0 * time_s))
    return time_s, current, current + 300.0


@pytest.mark.slow
def test_two_million_points_against_drawing_them_all(application: QApplication) -> None:
    from PySide6.QtGui import QImage, QPainter

    from crankfold.viewer.window.painting import paint

    time_s, one, two = currents()
    scales = StripScales(BOX, (0.0, 10.0), -100.0, 700.0)
    image = QImage(1280, 480, QImage.Format.Format_RGB32)

    def drawn(*lines: Path) -> None:
        image.fill(0xFFFBF6EA)
        painter = QPainter(image)
        paint(painter, lines)
        painter.end()

    def ours() -> None:
        drawn(trace_line(time_s, one, scales, stroke=INK, width=look.HAIR),
              trace_line(time_s, two, scales, stroke=PLUM, width=look.HAIR))

    raw = [Path(np.column_stack([time_s * 128.0, scales.y(0.0) - 0.6 * y]), stroke=INK, width=1.0) for y in (one, two)]
    mine, theirs = best_s(ours, lambda: drawn(*raw))
    print(f"frame of 2 x 1 M points: {1e3 * mine:.1f} ms, all points {1e3 * theirs:.0f} ms")
    assert theirs / mine > 30.0  # 173 ms raw where 5 are wanted


def streamed(window: Window, seconds: float) -> tuple[float, float]:
    """Return frames a second and the share of a core that the whole program took."""
    from PySide6.QtCore import QEventLoop, QTimer

    frames = 0
    strip = window.page.strip
    paint = strip.paintEvent

    def counted(event: Any) -> None:
        nonlocal frames
        frames += 1
        paint(event)

    strip.paintEvent = counted  # type: ignore[method-assign]
    loop = QEventLoop()
    QTimer.singleShot(round(1000 * seconds), loop.quit)
    began_s, used_s = time.monotonic(), time.process_time()
    loop.exec()
    lasted_s = time.monotonic() - began_s
    return frames / lasted_s, (time.process_time() - used_s) / lasted_s


@pytest.fixture
def fast(application: QApplication) -> Any:
    from crankfold.viewer.window.main_window import Window

    board, window = FastBoard(), Window(Silent())
    window.resize(1280, 720)
    window.show()
    window.watch(Session(SessionPlan(lambda: board, question_of({**NOTHING, "firing_order": "1-3-4-2"}))))
    yield board, window
    window.close()


@pytest.mark.slow
def test_thirty_frames_a_second_beside_a_fast_board(fast: Any) -> None:
    _, window = fast
    streamed(window, 8.0)  # until the strip is full
    rate, share = streamed(window, 5.0)
    print(f"{rate:.1f} frames a second, {100 * share:.0f} % of a core with the reader of 2 MS/s")
    assert rate >= 28.0
    assert share < 0.35


@pytest.mark.slow
def test_the_reader_is_not_starved_while_a_crank_is_judged_and_drawn(fast: Any) -> None:
    board, window = fast
    prepare_solver()
    question = question_of({**NOTHING, "firing_order": "1-3-4-2"})
    (capture,) = record(open_board("virtual:engine=pump,pace=flat,dead=3,rate=100000", {}, load_plugins()))
    streamed(window, 1.0)
    board.latest_s = 0.0
    times: list[float] = []

    def judging() -> None:
        for _ in range(5):
            began = time.monotonic()
            judge(capture, question)
            times.append(time.monotonic() - began)

    worker = threading.Thread(target=judging)
    worker.start()
    while worker.is_alive():
        streamed(window, 0.2)
    print(f"a read came {1e3 * board.latest_s:.0f} ms late at worst; judging took {1e3 * max(times):.0f} ms at most")
    assert board.latest_s < 0.25  # a USB board's own buffers and the driver's hold as much
    assert max(times) < 0.5
    assert window.now.aside == window.now.title or not window.now.aside


@pytest.mark.slow
def test_the_verdict_stands_half_a_second_after_the_crank_ends(application: QApplication) -> None:
    from crankfold.viewer.session import Phase
    from crankfold.viewer.window.main_window import Window

    info, codes = codes_of("engine=pump,dead=3,quiet=2,crank=3,after=2")
    board = PacedSource(info, codes)
    amperes = np.abs(codes[:, 0] * info.channels[0].scale + info.channels[0].offset)
    ended_s = float(np.flatnonzero(amperes > 20.0)[-1] / info.rate_hz)
    prepare_solver()
    window = Window(Silent())
    window.resize(1280, 720)
    window.show()
    window.watch(Session(SessionPlan(lambda: board, question_of({**NOTHING, "firing_order": "1-3-4-2"}))))
    began_s = time.monotonic()
    while window.now.phase is not Phase.UNNAMED:
        application.processEvents()
        time.sleep(0.002)
        assert time.monotonic() - began_s < 20.0
    application.processEvents()
    late_s = time.monotonic() - (board.began_s + ended_s)
    window.close()
    print(f"the verdict stands {late_s:.2f} s after the current has gone, 0.3 s of which tell that it has")
    assert late_s < 0.8  # 0.5 s are wanted on a machine that does nothing else


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_memory_stays_steady_over_an_hour_of_frames_of_a_slow_clock(application: QApplication) -> None:
    from crankfold.acquire import RingBuffer
    from crankfold.viewer.window.main_window import Window
    from crankfold.viewer.window.plots import SHOWN_S, LiveTrace

    def resident_bytes() -> int:
        with open("/proc/self/statm", encoding="ascii") as file:  # noqa: PTH123 - not a file on disk
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")

    rate_hz, frame = 10_000.0, 10_000  # a frame a second: an hour of samples in 3,600 frames
    channels = (Channel("current", "A", 0.5), Channel("sync", "V", 0.1))
    ring = RingBuffer(400_000, channels=2, dtype=np.int16)
    window = Window(Silent())
    window.resize(1280, 720)
    window.show()
    live = LiveTrace(ring, tuple(enumerate(channels)), rate_hz)
    codes = np.random.default_rng(0).integers(-40, 40, (frame, 2), dtype=np.int16)
    seen = []
    for k in range(3600):
        ring.append(codes)
        assert live.look()
        window.page.strip.show_live((live.line(0), live.line(1)), channels, SHOWN_S)
        application.processEvents()
        if k in (600, 3599):
            seen.append(resident_bytes())
    window.close()
    print(f"{(seen[1] - seen[0]) / 1e6:+.1f} MB from minute 10 to 60")
    assert seen[1] - seen[0] < 4e6
