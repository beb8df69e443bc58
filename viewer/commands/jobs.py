"""``crankfold jobs FOLDER``: the job book, to find last month's job again."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from crankfold.analysis import InputError
from crankfold.viewer.command_line import VERDICT
from crankfold.viewer.jobs import JobBook, Query, book_bytes, finding_text, when_text
from crankfold.viewer.session import Outputs
from crankfold.viewer.words import say, say_count, show_table, tell, working

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from crankfold.viewer.jobs import Entry

FINDINGS = ("low", "no-compression", "even", "uneven", "limit", "none", "open", "unreadable")
MOST = 20  # rows shown unless more are asked for: what a terminal holds
DAY = click.DateTime(("%Y-%m-%d",))


@click.command("jobs", help=say("help.jobs.long"), short_help=say("help.jobs.short"))
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
@click.argument("words", nargs=-1)
@click.option("--plate", default="", metavar="TEXT", help=say("option.jobs_plate"))
@click.option("--finding", type=click.Choice(FINDINGS), default=None, help=say("option.jobs_finding"))
@click.option("--since", type=DAY, metavar="YYYY-MM-DD", help=say("option.jobs_since"))
@click.option("--until", type=DAY, metavar="YYYY-MM-DD", help=say("option.jobs_until"))
@click.option("--most", type=click.IntRange(1), default=MOST, show_default=True, metavar="N",
              help=say("option.jobs_most"))
@click.option("--csv", "csv_path", type=click.Path(path_type=Path), metavar="PATH", help=say("option.jobs_csv"))
def command(*, folder: Path, words: tuple[str, ...], plate: str, finding: str | None, since: datetime | None,
            until: datetime | None, most: int, csv_path: Path | None) -> int:
    """List the captures that fit and return the exit status."""
    if csv_path is not None:
        from crankfold.viewer.session import check_writable

        check_writable(csv_path)
    query = Query(words, plate, finding or "", _date(since), _date(until))
    try:
        book = JobBook(folder)
    except OSError as error:
        raise InputError(say("jobs.no_folder", path=str(folder))) from error
    with book:
        _refresh(book)
        fitting = book.find(query)
        if csv_path is not None:
            _write(csv_path, fitting)
            return VERDICT
        _list(fitting, most, book.count())
        if plate:
            _before_and_after(book, plate)
    return VERDICT


def _date(moment: datetime | None) -> date | None:
    return None if moment is None else moment.date()


def _refresh(book: JobBook) -> None:
    with working(say("progress.looking_through")) as line:
        del line
        book.refresh()


def _write(path: Path, entries: Sequence[Entry]) -> None:
    with Outputs() as outputs:
        outputs.add(path, book_bytes(entries))
    tell(say("done.wrote", path=str(path)))


def _list(entries: Sequence[Entry], most: int, of: int) -> None:
    if not entries:
        tell(say("jobs.nothing", of=of))
        return
    show_table([say(f"jobs.head.{name}") for name in ("when", "plate", "customer", "engine", "finding", "file")],
               [(_row(entry), False) for entry in entries[:most]])
    if len(entries) > most:
        tell(say_count("jobs.more", len(entries) - most))


def _row(entry: Entry) -> list[str]:
    return [when_text(entry), entry.plate, entry.customer, entry.engine or entry.order, finding_text(entry), entry.file]


def _before_and_after(book: JobBook, plate: str) -> None:
    pair = book.before_and_after(plate)
    if pair is not None:
        before, after = (str(book.path_of(entry)) for entry in pair)
        tell()
        tell(say("jobs.compare", before=before, after=after))
