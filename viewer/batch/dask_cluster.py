"""The workers of a Dask cluster as a crew: from none on, followed as they come and go, and waited for."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Generator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from crankfold.analysis import InputError
from crankfold.viewer.batch.runner import LOOK_S, Crew, CrewGoneError
from crankfold.viewer.batch.work import own_version
from crankfold.viewer.words import complain, say

if TYPE_CHECKING:
    from collections.abc import Collection

ANSWER_S = 10.0  # a scheduler that is there answers within a second
BUSY_S = 30.0  # so long a scheduler may be too busy to say how many workers it has
RETURN_S = 600.0  # so long a scheduler that went away is waited for: it is restarted by hand, or with its machine
AGAIN_S = 2.0  # between tries to reach it


class DaskCluster:
    """A Dask cluster that runs already; its workers read the captures by the same paths.

    Parameters
    ----------
    address
        Of its scheduler.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._known = False

    @contextmanager
    def open(self) -> Generator[Crew, None, None]:
        """Open its workers; a scheduler that was there before is waited for.

        Raises
        ------
        InputError
            Nothing answers there, or its workers lack this program in this version.
        """
        try:
            import distributed
        except ModuleNotFoundError as error:
            raise InputError(say("problem.needs_extra", package="distributed", extra="batch")) from error
        with _quiet():
            client = self._client(distributed.Client)
            try:
                yield Crew(client.get_executor(pure=False), _Workers(client, self.address), lambda: None,
                           lambda error: type(error).__name__ == "KilledWorker")
            finally:
                with contextlib.suppress(Exception):  # a scheduler that is gone cannot be told good-bye
                    client.close(timeout=LOOK_S)

    def _client(self, opened: Any) -> Any:
        until, told = time.monotonic() + RETURN_S, False
        while True:
            try:
                client = opened(self.address, timeout=ANSWER_S, set_as_default=False)
            except (OSError, ValueError, TimeoutError) as error:
                if not self._known:
                    raise InputError(say("batch.no_scheduler", address=self.address)) from error
                if time.monotonic() > until:
                    raise InputError(say("batch.scheduler_gone", address=self.address)) from error
                if not told:
                    complain(say("batch.scheduler_away", address=self.address))
                    told = True
                time.sleep(AGAIN_S)
            else:
                self._known = True
                return client


class _Workers:
    """How many workers a cluster has now; each new one is asked for its version."""

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self._asked: set[str] = set()
        self._count, self._looked, self._told = 0, float("-inf"), False

    def __call__(self) -> int:
        now = time.monotonic()
        if now - self._looked < LOOK_S:
            return self._count
        threads = self._threads()
        self._looked = now
        self._check(threads.keys() - self._asked)
        self._asked = set(threads)
        self._count = sum(threads.values())
        if not self._count and not self._told:
            complain(say("batch.no_workers", address=self._address))
        self._told = not self._count
        return self._count

    def _threads(self) -> dict[str, int]:
        try:
            found: dict[str, int] = self._client.sync(self._client.scheduler.ncores, callback_timeout=BUSY_S)
        except Exception as error:  # connections break in many ways
            raise CrewGoneError from error
        if self._client.status != "running":
            raise CrewGoneError
        return found

    def _check(self, new: Collection[str]) -> None:
        if not new:
            return
        try:
            said = self._client.run(own_version, workers=list(new), on_error="return")
        except Exception as error:  # whatever a worker without this program makes of the question
            said = dict.fromkeys(new, error)
        theirs = {answer for answer in said.values() if isinstance(answer, str)}
        broken = [answer for answer in said.values() if isinstance(answer, Exception)
                  and not isinstance(answer, OSError)]  # such a one has gone meanwhile
        if broken:
            raise InputError(say("batch.workers_lack", address=self._address, version=own_version())) from broken[0]
        if theirs - {own_version()}:
            raise InputError(say("batch.workers_differ", address=self._address, version=own_version(),
                                 theirs=", ".join(sorted(theirs))))


@contextmanager
def _quiet() -> Generator[None, None, None]:
    """Keep the library's own log of lost connections from the screen: what matters is said in a sentence."""
    logs = [logging.getLogger(name) for name in list(logging.root.manager.loggerDict) if name.startswith("distributed")]
    before = [log.level for log in logs]
    for log in logs:
        log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for log, level in zip(logs, before, strict=True):
            log.setLevel(level)
