"""Jobs of a batch spread over workers, who may come and go: a pool of processes here, or a cluster."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from crankfold.analysis import InputError
from crankfold.viewer.batch.work import ONE_THREAD, Answer, begin, failed_row, judge_chunk, lost_row
from crankfold.viewer.words import chosen_language, say

if TYPE_CHECKING:
    from crankfold.viewer.batch.plan import Job

CHUNK = 32  # captures a task: a scheduler's overhead of some milliseconds vanishes against them
CHUNKS_A_WORKER = 4  # at least, where there are so many captures, so that no worker sits idle at the end
AHEAD = 2  # chunks a worker in flight: one at work, one waiting; more would only be lost when a worker dies
LOOK_S = 1.0  # between looks at how many workers there are

Answers = list[tuple["Job", Answer]]


class CrewGoneError(Exception):
    """Whoever hands work to the workers is out of reach; what was under way is asked for again."""


@dataclass(frozen=True)
class Crew:
    """Workers.

    Parameters
    ----------
    executor
        Takes tasks.
    workers
        How many there are now; raises `CrewGoneError`.
    stop
        Tells them to stop after the captures under way.
    killed
        Whether an error of a task says that its worker died of it.
    """

    executor: Executor
    workers: Callable[[], int]
    stop: Callable[[], None]
    killed: Callable[[BaseException], bool] = lambda error: isinstance(error, BrokenProcessPool)


OpenCrew = Callable[[], AbstractContextManager[Crew]]


class Todo:
    """Jobs not yet given to a worker.

    Parameters
    ----------
    jobs
        Taken one by one as they are due.
    count
        How many there are at most.
    """

    def __init__(self, jobs: Iterable[Job], count: int) -> None:
        self._coming, self._count = iter(jobs), count
        self._back: deque[Job] = deque()

    def __bool__(self) -> bool:
        if not self._back:
            self._back.extend(islice(self._coming, 1))
            self._count = max(0, self._count - 1)
        return bool(self._back)

    def take(self, workers: int) -> list[Job]:
        """Return jobs for one of so many workers: few where few are left, so that none sits idle at the end."""
        left = self._count + len(self._back)
        size = max(1, min(CHUNK, -(-left // (workers * CHUNKS_A_WORKER))))
        return [self._back.popleft() for _ in range(size) if self]

    def put_back(self, jobs: Iterable[Job]) -> None:
        """Take jobs back that were lost on the way."""
        self._back.extend(jobs)


def run(jobs: Iterable[Job], count: int, open_crew: OpenCrew) -> Generator[Answers, None, None]:
    """Yield the answers of all jobs, some at a time, in any order.

    What is under way follows how many workers there are. A worker that dies takes its chunk with it: those captures are
    then judged one at a time, so that the one that kills is found and gets its row. What a lost scheduler had is asked
    for again. Ctrl-C lets the captures under way finish; their rows still come.

    Parameters
    ----------
    jobs, count
        What is to be done, and how many those are at most.
    """
    todo = Todo(jobs, count)
    while todo:
        with open_crew() as crew:
            suspects = yield from _together(crew, todo)
        yield from _one_by_one(suspects, todo, open_crew)


def _together(crew: Crew, todo: Todo) -> Generator[Answers, None, list[Job]]:
    """Yield answers until all are there, a worker died or the crew is gone; return the jobs of workers that died."""
    under_way: dict[Future[list[Answer]], list[Job]] = {}
    suspects: list[Job] = []
    try:
        while (todo and not suspects) or under_way:
            if not suspects:
                suspects += _give(crew, todo, under_way)
            if under_way:
                for future in wait(under_way, LOOK_S, FIRST_COMPLETED).done:
                    chunk, error = under_way.pop(future), _error_of(future)
                    if error is None:
                        yield list(zip(chunk, future.result(), strict=True))
                    elif isinstance(error, CancelledError):
                        under_way[future] = chunk
                        raise CrewGoneError
                    else:
                        suspects += chunk
            elif not suspects:
                time.sleep(LOOK_S)  # no workers
    except CrewGoneError:
        todo.put_back(job for chunk in under_way.values() for job in chunk)
    except BaseException as left:
        yield from _stopped(crew, under_way, wanted=isinstance(left, KeyboardInterrupt))
        raise
    return suspects


def _give(crew: Crew, todo: Todo, under_way: dict[Future[list[Answer]], list[Job]]) -> list[Job]:
    """Give the workers that there are now something to do; return what could not be given as the pool had broken."""
    workers = crew.workers()
    while len(under_way) < AHEAD * workers and todo:
        chunk = todo.take(workers)
        try:
            under_way[crew.executor.submit(judge_chunk, chunk, chosen_language())] = chunk
        except RuntimeError:
            return chunk
    return []


def _stopped(crew: Crew, under_way: dict[Future[list[Answer]], list[Job]], *,
             wanted: bool) -> Generator[Answers, None, None]:
    """Tell the workers to stop, and yield what they finish if it is wanted."""
    crew.stop()
    for future in [f for f in under_way if f.cancel()]:
        del under_way[future]
    if wanted:
        wait(under_way)
        for future, chunk in under_way.items():
            if _error_of(future) is None:
                yield list(zip(chunk, future.result(), strict=False))


def _error_of(future: Future[list[Answer]]) -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as error:
        return error


def _one_by_one(jobs: Sequence[Job], todo: Todo, open_crew: OpenCrew) -> Generator[Answers, None, None]:
    """Yield the answer of each job; the one that is under way when a worker dies is the one that kills."""
    left = deque(jobs)
    while left:
        try:
            with open_crew() as crew:
                _try_out(crew)
                alive = True
                while left and alive:
                    future = crew.executor.submit(judge_chunk, [left[0]], chosen_language())
                    error = _error_of(future)
                    if isinstance(error, CancelledError):
                        raise CrewGoneError
                    job, alive = left.popleft(), error is None
                    answer = (lost_row(job) if error is not None and crew.killed(error)
                              else failed_row(job, error) if error is not None else future.result()[0])
                    yield [(job, answer)]
        except CrewGoneError:
            todo.put_back(left)
            return


def _try_out(crew: Crew) -> None:
    """Let a worker do nothing: where that fails, no capture is to blame.

    Raises
    ------
    InputError
        It fails.
    """
    error = _error_of(crew.executor.submit(judge_chunk, []))
    if isinstance(error, CancelledError):
        raise CrewGoneError
    if error is not None:
        raise InputError(say("batch.workers_die", reason=" ".join(str(error).split()) or type(error).__name__))


@contextmanager
def processes(count: int) -> Generator[Crew, None, None]:
    """Open a pool of so many processes on this computer, each with one thread for its arithmetic."""
    context = multiprocessing.get_context("spawn")  # the same everywhere, and no lock is copied half-held
    stop = context.Event()
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ |= dict.fromkeys(ONE_THREAD, "1")
    try:
        with ProcessPoolExecutor(count, context, begin, (stop, chosen_language())) as pool:
            yield Crew(pool, lambda: count, stop.set)
    finally:
        for name, value in before.items():
            os.environ.pop(name) if value is None else os.environ.__setitem__(name, value)


def usual_workers() -> int:
    """Return how many processors this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
