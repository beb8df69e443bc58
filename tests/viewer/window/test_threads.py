"""Threads of the window side by side: boards are looked for while a file is opened."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

from crankfold.acquire import load_plugins


def test_plugins_are_imported_once_though_several_threads_ask() -> None:
    plugins, together = load_plugins(enabled=False), Barrier(6)

    def asked(number: int) -> tuple[str, ...]:
        together.wait()
        return tuple(plugins.boards) if number % 2 else tuple(name for name, _ in plugins.readers_of("a.csv"))

    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(asked, range(6)))
    assert len(set(found[1::2])) == 1
    assert "virtual" in found[1]
    assert set(found[::2]) == {(".csv",)}
    assert not plugins.failed
