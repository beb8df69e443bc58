"""How far a batch is, on standard error: a bar with the time left where somebody watches, nothing where nobody does."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from crankfold.viewer.words import say


@contextmanager
def counting(total: int) -> Iterator[Callable[[int], int]]:
    """Show a bar while the block runs; call what it gives with how many more are done, and it returns how many are."""
    done = 0
    shown: list[Callable[[int], None]] = []

    def count(more: int) -> int:
        nonlocal done
        done += more
        for show in shown:
            show(more)
        return done

    if not sys.stderr.isatty():
        yield count
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
               TextColumn(say("batch.left")))
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(say("batch.judging"), total=total)
        shown.append(partial(progress.advance, task))
        yield count
