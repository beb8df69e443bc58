"""``crankfold batch FOLDER... --table TABLE``: judge many captures into one table."""

from __future__ import annotations

from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from crankfold.analysis import InputError
from crankfold.viewer.command_line import ALL_UNREAD, SOME_UNREAD, VERDICT, installed_plugins
from crankfold.viewer.picture import FleetCount, fleet_picture
from crankfold.viewer.session import (
    LOW_PERCENT,
    Outputs,
    check_picture_path,
    check_writable,
    engine_options,
    scene_bytes,
    settings_of,
)
from crankfold.viewer.words import complain, say, tell

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from crankfold.viewer.batch import DataSet, Job, Journal, OpenCrew, Plan, Row


@click.command("batch", help=say("help.batch.long"), short_help=say("help.batch.short"))
@click.argument("paths", nargs=-1, metavar="FOLDER|FILE...")
@click.option("--table", type=click.Path(path_type=Path), required=True, metavar="PATH", help=say("option.table"))
@click.option("--list", "list_path", type=click.Path(path_type=Path), metavar="PATH", help=say("option.list"))
@engine_options
@click.option("--columns", metavar="TIME,CURRENT,SYNC", help=say("option.columns"))
@click.option("--rate", metavar="HZ", help=say("option.rate"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--picture", type=click.Path(path_type=Path), metavar="PATH", help=say("option.fleet_picture"))
@click.option("--workers", type=click.IntRange(1, 256), metavar="COUNT", help=say("option.workers"))
@click.option("--scheduler", metavar="ADDRESS", help=say("option.scheduler"))
def command(*, paths: tuple[str, ...], table: Path, list_path: Path | None, columns: str | None, rate: str | None,
            pairs: tuple[str, ...], picture: Path | None, workers: int | None, scheduler: str | None,
            **options: Any) -> int:
    """Judge all captures and return the exit status."""
    from crankfold.viewer.batch import (
        DaskCluster,
        DataSet,
        Journal,
        Planner,
        is_data_set,
        own_version,
        processes,
        read_list,
        usual_workers,
    )
    if scheduler is not None and workers is not None:
        raise InputError(say("batch.workers_and_scheduler"))
    if not paths and list_path is None:
        raise InputError(say("batch.no_paths"))
    _check_outputs(table, picture)
    settings = settings_of(pairs) | {k: v for k, v in (("columns", columns), ("rate", rate)) if v is not None}
    planner = Planner(options, settings, installed_plugins(), own_version())
    plan = planner.jobs(paths, read_list(list_path) if list_path is not None else (),
                        [p for p in (table, list_path, picture) if p is not None])
    crew: OpenCrew = DaskCluster(scheduler).open if scheduler else partial(processes, workers or usual_workers())
    count = FleetCount()
    low = LOW_PERCENT if options["low"] is None else options["low"]
    if is_data_set(table):
        with DataSet(table) as kept:
            _judge(plan, kept, crew)
            for row in kept.finish(plan):
                count.add(row)
        _write_picture(count, picture, low)
    else:
        with Journal.beside(table) as journal:
            _judge(plan, journal, crew)
            _write(plan, journal, table, count)
            _write_picture(count, picture, low)
            journal.remove()
    _say(count, [path for path in (table, picture) if path is not None])
    unread = count.tally.unread
    return VERDICT if not unread else ALL_UNREAD if unread == count.tally.total else SOME_UNREAD


def _check_outputs(table: Path, picture: Path | None) -> None:
    from crankfold.viewer.batch import check_table_path, is_data_set
    check_table_path(table)
    if not table.is_dir() or not is_data_set(table):
        check_writable(table)
    if picture is not None:
        check_picture_path(picture)
        check_writable(picture)


def _judge(plan: Plan, kept: Journal | DataSet, crew: OpenCrew) -> None:
    """Judge what has no row yet, each row kept as it comes."""
    from crankfold.viewer.batch import counting, run

    with counting(len(plan)) as count:
        try:
            with closing(run(_left(plan, kept, count), len(plan), crew)) as answers:
                for some in answers:
                    kept.add((job.key, answer) for job, answer in some)
                    count(len(some))
        except BaseException as left:
            if isinstance(left, (KeyboardInterrupt, InputError)) and count(0):
                complain(say("batch.stopped", done=count(0), total=len(plan), path=str(kept.path)))
            raise


def _left(plan: Plan, kept: Journal | DataSet, count: Callable[[int], int]) -> Iterator[Job]:
    """Yield the jobs that have no final row yet."""
    for job in plan:
        if kept.holds(job.key):
            count(1)
        else:
            yield job


def _write(plan: Plan, journal: Journal, table: Path, count: FleetCount) -> None:
    from crankfold.viewer.batch import columns_of, write_table
    rows: Iterator[Row] = count.counted(map(journal.row, plan.keys()))
    with Outputs() as outputs:
        outputs.add(table, lambda file: write_table(file, rows, columns_of(journal.most_cylinders),
                                                    table.suffix.lower()))


def _write_picture(count: FleetCount, picture: Path | None, limit_percent: float) -> None:
    if picture is not None:
        with Outputs() as outputs:
            outputs.add(picture, scene_bytes(fleet_picture(count.data(), limit_percent=limit_percent), picture))


def _say(fleet: FleetCount, written: list[Path]) -> None:
    count = fleet.tally
    facts = {"total": count.total, "even": count.even, "uneven": count.uneven, "none": count.none,
             "unread": count.unread}
    text = say("batch.found_limit", limit=count.limit, **facts) if count.limit else say("batch.found", **facts)
    tell(text, bold=True)
    for row in fleet.unread:
        problem, file = str(row["problem"]), str(row["file"])
        tell(problem if file in problem else say("batch.unread_line", path=file, problem=problem), indent=1)
    if count.unread > len(fleet.unread):
        tell(say("batch.more_unread", count=count.unread - len(fleet.unread)), indent=1)
    for path in written:
        tell(say("done.wrote", path=str(path)))
