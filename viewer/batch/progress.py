"""How far a batch is, on standard error: a bar with the time left where somebody watches, nothing where nobody does."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from crankfold.viewer.words import say


@contextmanager
def counting(total: int, done: int) -> Iterator[Callable[[int], None]]:
    """Show a bar while the block runs; call what it gives with how many more are done.

    Parameters
    ----------
    total, done
        How many there are, and how many of them an earlier run has done.
    """
    if not sys.stderr.isatty():
        yield lambda more: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
               TextColumn(say("batch.left")))
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(say("batch.judging"), total=total, completed=done)
        yield lambda more: progress.advance(task, more)
