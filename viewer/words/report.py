"""An answer printed for people: headline first, then what was found, how sure, what next, what the test cannot see."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.viewer.words.catalogue import say
from crankfold.viewer.words.sentences import answer, cylinder_cells, cylinder_headings, safety, say_for
from crankfold.viewer.words.terminal import complain, show_table, tell

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis import Result


def print_result(result: Result, *, headline_last: bool = False) -> None:
    """Print everything that is said of a result; `headline_last` for who looks at the screen's end from afar."""
    told = answer(result)
    if not headline_last:
        tell()
        tell(told.headline, bold=True)
    _section(say("reason.heading"), told.reasons)
    _section(say("found.heading"), told.cranking)
    _cylinders(result)
    for heading, lines in (("sure.heading", told.sure), ("note.heading", told.notes),
                           ("caution.heading", told.cautions), ("next.heading", told.next),
                           ("blind.heading", told.blind)):
        _section(say(heading), lines)
    tell()
    tell(say_for(result.engine.fuel, "safety.short"))
    if headline_last:
        tell()
        tell(told.headline, bold=True)


def _cylinders(result: Result) -> None:
    if not result.cylinders:
        return
    tell()
    show_table(cylinder_headings(result), [(cylinder_cells(c, result), c.state in ("low", "dead"))
                                           for c in result.cylinders])


def print_safety(*, fuel: str = "", aside: bool = False) -> None:
    """Print the cautions said before anybody cranks an engine of that fuel; `aside` puts them on standard error."""
    if aside:
        complain(" ".join((say("safety.heading"), *safety(fuel))))
        return
    _section(say("safety.heading"), safety(fuel))


def _section(heading: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    tell()
    tell(heading)
    for line in lines:
        tell(line, indent=1)
