"""The page that goes with a job: one self-contained HTML document, every field escaped, its picture and its PDF."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from crankfold.viewer.picture import look
from crankfold.viewer.picture.fold import fold_of
from crankfold.viewer.picture.fold_drawing import draw_fold
from crankfold.viewer.picture.page import title_over
from crankfold.viewer.picture.scene import Box, Scene
from crankfold.viewer.picture.strip import strip_of
from crankfold.viewer.picture.strip_drawing import draw_strip
from crankfold.viewer.picture.wheel import wheel_of
from crankfold.viewer.picture.wheel_drawing import draw_wheel
from crankfold.viewer.words import (
    Answer,
    answer,
    cylinder_cells,
    cylinder_headings,
    headline,
    kind_of,
    language,
    low_ones,
    said_for,
    say,
    tame,
    usual_paper,
)

if TYPE_CHECKING:
    from crankfold.acquire import Job
    from crankfold.analysis import Cylinder, Result
    from crankfold.viewer.picture.look import Paper
    from crankfold.viewer.session import Judged

WIDTH = 1000.0  # 190 mm of an A4 page: type of 13 units is 7 points
STRIP = Box(2.0, 24.0, WIDTH - 4.0, 220.0)
FOLD = Box(2.0, 278.0, 590.0, 300.0)
WHEEL = Box(610.0, 278.0, WIDTH - 612.0, 300.0)
PAPERS: Mapping[str, tuple[str, float]] = {"a4": ("A4", 92.0), "letter": ("letter", 76.0)}
"""Name of the paper for the printer, and the most millimetres that the picture may take of its height."""
LONGEST_NAME = 120  # characters of the engine's name: more would not leave it one page


def sheet_scene(judged: Judged, paper: Paper = look.LIGHT) -> Scene:
    """Return the picture of a judged capture for a page."""
    result = judged.result
    fold, wheel = fold_of(result), wheel_of(result)
    whole = fold is not None and wheel is not None
    scene = Scene(WIDTH, FOLD.bottom + 2.0 if whole else STRIP.bottom + 2.0, paper.paper, title=headline(result))
    strip = strip_of(result, judged.capture, judged.marks_s)
    scene.add(title_over(STRIP, say("label.strip", unit=strip.unit or say("label.no_unit")), "", paper))
    scene.add(draw_strip(strip, result, STRIP, paper))
    if fold is not None and wheel is not None:
        scene.add(title_over(FOLD, say("label.fold"), "", paper), draw_fold(fold, result, FOLD, paper))
        scene.add(title_over(WHEEL, say("label.wheel"), "", paper))
        scene.add(draw_wheel(wheel, WHEEL, paper, cycle_deg=result.engine.cycle_deg,
                             limit_percent=judged.question.thresholds.low_percent))
    return scene


def sheet_html(judged: Judged, job: Job, size: str | None = None, file: str = "") -> str:
    """Return the page as an HTML document.

    Parameters
    ----------
    judged, job
        What was found, and for whom.
    size
        ``a4`` or ``letter``; None: as the country uses.
    file
        The recording's name.
    """
    import jinja2
    from markupsafe import Markup

    from crankfold.viewer.picture.svg import clean, write_svg
    from crankfold.viewer.words import result_text

    result = judged.result
    told = answer(result)
    loader = jinja2.PackageLoader("crankfold.viewer", "templates")
    page = jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined).get_template(
        "sheet.html.j2")
    picture = Markup(write_svg(sheet_scene(judged), prefix="sheet-"))
    return page.render(
        language=language(), size=PAPERS[size or usual_paper()],
        title=say("sheet.title", headline=told.headline), paper=look.LIGHT, told=told,
        down=result.verdict == "uneven", meaning=meaning(result), picture=picture,
        who=_lines(shop=job.shop, owner=job.customer, plate=job.plate, mileage=job.mileage,
                   engine=result.engine.name[:LONGEST_NAME]),
        when=_lines(date=_date(judged.capture.started_utc), by=job.technician, file=file),
        headings=cylinder_headings(result), cylinders=[_row(c, result) for c in result.cylinders],
        blocks=_blocks(judged, job, told), signed=say("sheet.signed"), received=say("sheet.received"),
        data=Markup(clean(result_text(result))),
    )


def _blocks(judged: Judged, job: Job, told: Answer) -> list[tuple[str, tuple[str, ...]]]:
    """Return the headed paragraphs of the page that have something to say."""
    blocks = (("next", told.next),
              ("reasons", told.reasons), ("cautions", (*told.cautions, *told.notes)),
              ("sure", told.sure), ("conditions", (" ".join(_conditions(judged, job)),)),
              ("not_tested", (" ".join((*told.blind, say("sheet.not_tested_more"))),)), ("note", (tame(job.notes),)))
    return [(say(f"sheet.{name}"), lines) for name, lines in blocks if any(lines)]


def meaning(result: Result) -> str:
    """Return what the verdict means for the engine's owner."""
    if result.verdict == "none":
        return say("owner.none")
    down, kind = low_ones(result), kind_of(result.engine)
    if not down:
        watched = any(c.state in ("watch", "limit") for c in result.cylinders)
        if result.verdict == "limit":
            return said_for(kind, "owner.limit")
        return said_for(kind, "owner.watch" if watched else "owner.even")
    if len(down) == 1:
        return said_for(kind, "owner.one_dead" if down[0].state == "dead" else "owner.one_low")
    return said_for(kind, "owner.several")


def _lines(**facts: str) -> list[str]:
    return [say(f"sheet.{name}_line", text=tame(text)) for name, text in facts.items() if text]


def _date(when: datetime | None) -> str:
    return (when or datetime.now().astimezone()).astimezone().strftime("%Y-%m-%d %H:%M")


def _row(cylinder: Cylinder, result: Result) -> dict[str, Any]:
    return {"down": cylinder.state in ("low", "dead"), "cells": cylinder_cells(cylinder, result)}


def _conditions(judged: Judged, job: Job) -> list[str]:
    told = answer(judged.result)
    lines = [say("sheet.order", order="-".join(map(str, judged.result.engine.firing_order))), *told.cranking]
    if job.temperature:
        lines.append(say("sheet.temperature_line", text=tame(job.temperature)))
    return lines
