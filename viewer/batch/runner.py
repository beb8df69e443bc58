"""Jobs of a batch spread over workers: a pool of processes here, or a Dask cluster, both through one interface."""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crankfold.analysis import InputError
from crankfold.viewer.batch.work import ONE_THREAD, Row, begin, judge_chunk, lost_row, own_version
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.batch.plan import Job

CHUNK = 32  # captures a task: a scheduler's overhead of some milliseconds vanishes against them
CHUNKS_A_WORKER = 4  # at least, where there are so many captures, so that no worker sits idle at the end
AHEAD = 2  # chunks a worker in flight: one at work, one waiting; more would only be lost when a worker dies
ANSWER_S = 10.0  # a scheduler that is there answers within a second

Rows = list[tuple["Job", Row]]


@dataclass(frozen=True)
class Crew:
    """Workers: an executor, how many there are, and how to tell them to stop."""

    executor: Executor
    workers: int
    stop: Callable[[], None]


OpenCrew = Callable[[], AbstractContextManager[Crew]]


def run(jobs: Sequence[Job], open_crew: OpenCrew) -> Generator[Rows, None, None]:
    """Yield the rows of all jobs, some at a time, in any order.

    A worker that dies takes its chunk with it: those captures are then judged one at a time, so that the one that
    kills is found and gets its row. Ctrl-C lets the captures under way finish; their rows still come.
    """
    waiting = deque(jobs)
    while waiting:
        with open_crew() as crew:
            suspects = yield from _together(crew, waiting)
        yield from _one_by_one(suspects, open_crew)


def _together(crew: Crew, waiting: deque[Job]) -> Generator[Rows, None, list[Job]]:
    """Yield rows until all are there or a worker died, and return the jobs that were with the workers then."""
    size = max(1, min(CHUNK, -(-len(waiting) // (crew.workers * CHUNKS_A_WORKER))))
    under_way: dict[Future[list[Row]], list[Job]] = {}
    suspects: list[Job] = []
    try:
        while (waiting and not suspects) or under_way:
            while waiting and not suspects and len(under_way) < AHEAD * crew.workers:
                chunk = [waiting.popleft() for _ in range(min(size, len(waiting)))]
                try:
                    under_way[crew.executor.submit(judge_chunk, chunk)] = chunk
                except RuntimeError:  # the pool broke since
                    suspects += chunk
            done, _ = wait(under_way, return_when=FIRST_COMPLETED)
            for future in done:
                chunk = under_way.pop(future)
                if future.exception() is None:
                    yield list(zip(chunk, future.result(), strict=True))
                else:
                    suspects += chunk
    except BaseException as left:
        crew.stop()
        for future in [f for f in under_way if f.cancel()]:
            del under_way[future]
        if isinstance(left, KeyboardInterrupt):
            wait(under_way)
            for future, chunk in under_way.items():
                if not future.cancelled() and future.exception() is None:
                    yield list(zip(chunk, future.result(), strict=False))
        raise
    return suspects


def _one_by_one(jobs: Sequence[Job], open_crew: OpenCrew) -> Generator[Rows, None, None]:
    """Yield the row of each job; the one that is under way when a worker dies is the one that kills."""
    left = deque(jobs)
    while left:
        with open_crew() as crew:
            alive = True
            while left and alive:
                job = left.popleft()
                try:
                    row = crew.executor.submit(judge_chunk, [job]).result()[0]
                except Exception:  # whatever a pool or a cluster calls a dead worker
                    row, alive = lost_row(job), False
                yield [(job, row)]


@contextmanager
def processes(count: int) -> Generator[Crew, None, None]:
    """Open a pool of so many processes on this computer, each with one thread for its arithmetic."""
    context = multiprocessing.get_context("spawn")  # the same everywhere, and no lock is copied half-held
    stop = context.Event()
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ |= dict.fromkeys(ONE_THREAD, "1")
    try:
        with ProcessPoolExecutor(count, context, begin, (stop,)) as pool:
            yield Crew(pool, count, stop.set)
    finally:
        for name, value in before.items():
            os.environ.pop(name) if value is None else os.environ.__setitem__(name, value)


@contextmanager
def cluster(address: str) -> Generator[Crew, None, None]:
    """Open the workers of a Dask cluster that runs already; they read the captures by the same paths.

    Raises
    ------
    InputError
        Nothing answers there, it has no workers, or they lack this program in this version.
    """
    try:
        import distributed
    except ModuleNotFoundError as error:
        raise InputError(say("problem.needs_extra", package="distributed", extra="batch")) from error
    opened: Any = distributed.Client
    try:
        client = opened(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(say("batch.no_scheduler", address=address)) from error
    with client:
        count = sum(client.nthreads().values())
        _check_workers(client, address, count)
        yield Crew(client.get_executor(pure=False), count, lambda: None)


def _check_workers(client: Any, address: str, count: int) -> None:
    if not count:
        raise InputError(say("batch.no_workers", address=address))
    try:
        versions = set(client.run(own_version).values())
    except Exception as error:  # raised over there, of any kind
        raise InputError(say("batch.workers_lack", address=address, version=own_version())) from error
    if versions != {own_version()}:
        raise InputError(say("batch.workers_differ", address=address, version=own_version(),
                             theirs=", ".join(sorted(versions))))


def usual_workers() -> int:
    """Return how many processors this program may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
