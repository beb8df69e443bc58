"""``crankfold batch FOLDER... --table TABLE``: judge many captures into one table."""

from __future__ import annotations

from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.viewer.command_line import VERDICT, installed_plugins
from crankfold.viewer.session import LOW_PERCENT, engine_options, settings_of
from crankfold.viewer.words import complain, say, tell

if TYPE_CHECKING:
    from crankfold.viewer.batch import Job, OpenCrew, Row


@click.command("batch", help=say("help.batch.long"), short_help=say("help.batch.short"))
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path), metavar="FOLDER|FILE...")
@click.option("--table", type=click.Path(path_type=Path), required=True, metavar="PATH", help=say("option.table"))
@click.option("--list", "list_path", type=click.Path(path_type=Path), metavar="PATH", help=say("option.list"))
@engine_options
@click.option("--columns", metavar="TIME,CURRENT,SYNC", help=say("option.columns"))
@click.option("--rate", metavar="HZ", help=say("option.rate"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.fleet_picture"))
@click.option("--workers", type=click.IntRange(1, 256), metavar="COUNT", help=say("option.workers"))
@click.option("--scheduler", metavar="ADDRESS", help=say("option.scheduler"))
def command(*, paths: tuple[Path, ...], table: Path, list_path: Path | None, columns: str | None, rate: str | None,
            pairs: tuple[str, ...], picture: Path | None, workers: int | None, scheduler: str | None,
            **options: Any) -> int:
    """Judge all captures and return the exit status."""
    from crankfold.analysis import InputError
    from crankfold.viewer.batch import Planner, cluster, own_version, processes, read_list, usual_workers

    if scheduler is not None and workers is not None:
        raise InputError(say("batch.workers_and_scheduler"))
    if not paths and list_path is None:
        raise InputError(say("batch.no_paths"))
    _check_outputs(table, picture)
    settings = settings_of(pairs) | {k: v for k, v in (("columns", columns), ("rate", rate)) if v is not None}
    planner = Planner(options, settings, installed_plugins(), own_version())
    listed = read_list(list_path) if list_path is not None else {}
    jobs = planner.jobs(paths, listed, [p for p in (table, list_path, picture) if p is not None])
    crew: OpenCrew = partial(cluster, scheduler) if scheduler else partial(processes, workers or usual_workers())
    rows = _rows(jobs, table, crew)
    _deliver(rows, table, picture, LOW_PERCENT if options["low"] is None else options["low"])
    return VERDICT


def _check_outputs(table: Path, picture: Path | None) -> None:
    from crankfold.viewer.batch import check_table_path
    from crankfold.viewer.session import check_picture_path, check_writable

    check_table_path(table)
    check_writable(table)
    if picture is not None:
        check_picture_path(picture)
        check_writable(picture)


def _rows(jobs: list[Job], table: Path, crew: OpenCrew) -> list[Row]:
    """Return the rows of all jobs, those of a run that was stopped earlier from its journal."""
    from crankfold.viewer.batch import Journal, counting, run
    from crankfold.viewer.session import prepare_solver
    from crankfold.viewer.words import judging_text, solver_ready, working

    with Journal.beside(table) as journal:
        left = [job for job in jobs if job.key not in journal.rows]
        if left and not solver_ready():
            with working(judging_text()):
                prepare_solver()  # once, before many workers would do it all at the same time
        try:
            with counting(len(jobs), len(jobs) - len(left)) as count, closing(run(left, crew)) as answers:
                for some in answers:
                    journal.add((job.key, row) for job, row in some)
                    count(len(some))
        except KeyboardInterrupt:
            done = sum(job.key in journal.rows for job in jobs)
            complain(say("batch.stopped", done=done, total=len(jobs), path=str(journal.path)))
            raise
        return [journal.rows[job.key] for job in jobs]


def _deliver(rows: list[Row], table: Path, picture: Path | None, limit_percent: float) -> None:
    from crankfold.viewer.batch import journal_path, table_bytes
    from crankfold.viewer.picture import fleet_picture
    from crankfold.viewer.session import Outputs, scene_bytes

    with Outputs() as outputs:
        outputs.add(table, table_bytes(rows, table))
        if picture is not None:
            outputs.add(picture, scene_bytes(fleet_picture(rows, limit_percent=limit_percent), picture))
    journal_path(table).unlink(missing_ok=True)
    _say(rows)
    for path in (table, picture):
        if path is not None:
            tell(say("done.wrote", path=str(path)))


def _say(rows: list[Row]) -> None:
    from crankfold.viewer.picture import tally

    count = tally(rows)
    facts = {"total": len(rows), "even": count.even, "uneven": count.uneven, "none": count.none, "unread": count.unread}
    text = say("batch.found_limit", limit=count.limit, **facts) if count.limit else say("batch.found", **facts)
    tell(text, bold=True)
    for row in [row for row in rows if row.get("problem")][:UNREAD_SHOWN]:
        problem, file = str(row["problem"]), str(row["file"])
        tell(problem if file in problem else say("batch.unread_line", path=file, problem=problem), indent=1)
    if count.unread > UNREAD_SHOWN:
        tell(say("batch.more_unread", count=count.unread - UNREAD_SHOWN), indent=1)


UNREAD_SHOWN = 5
"""Problems that are said one by one; the rest stands in the table."""
