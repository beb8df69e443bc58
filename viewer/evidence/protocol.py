"""The page to print before an engine is used to check the program: cautions, steps, graded leaks, a form."""

from __future__ import annotations

from crankfold.analysis import percent_with_hole
from crankfold.viewer.picture import look
from crankfold.viewer.words import language, say

HOLES_MM = (0.0, 0.5, 0.8, 1.0, 1.5, 2.0, 3.0)
CYLINDERS_CM3 = (300, 400, 500, 650)
CRANKING_RPM = 200.0  # of a warm petrol engine with all plugs in
CAUTIONS = ("fuel", "spark", "moving", "jet", "plug", "diesel", "starter", "battery", "law")
STEPS = ("gauge_check", "warm", "capture", "seal", "gauge", "repeat", "graded", "order", "all", "compare")
FORM = ("capture", "hole", "code", "gauge_1", "gauge_2", "gauge_3", "gauge_4", "gauge_5", "gauge_6", "rpm")
ROWS, HEALTHY_ROWS = 8, 2  # lines of the form; the engine as it is comes first, twice
ABOUT = ("date", "engine", "rig", "gauge", "by")


def protocol_html() -> str:
    """Return the page as an HTML document."""
    import jinja2

    loader = jinja2.PackageLoader("crankfold.viewer", "templates")
    page = jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined).get_template(
        "protocol.html.j2")
    return page.render(
        language=language(), title=say("protocol.title"), why=say("protocol.why"), paper=look.LIGHT,
        caution_heading=say("protocol.caution_heading"), cautions=[say(f"protocol.caution.{k}") for k in CAUTIONS],
        steps_heading=say("protocol.steps_heading"), steps=[say(f"protocol.step.{k}") for k in STEPS],
        leaks_heading=say("protocol.leaks_heading"), leaks_text=say("protocol.leaks_text"),
        leaks_note=say("protocol.leaks_note"), leak_head=[say("protocol.hole"), *(
            say("protocol.of_cylinder", size_cm3=size) for size in CYLINDERS_CM3)], leak_rows=leak_rows(),
        form_heading=say("protocol.form_heading"), about=[say(f"protocol.about.{k}") for k in ABOUT],
        form_head=[say(f"protocol.form.{k}") for k in FORM], after=say("protocol.after"),
        form_rows=[["", say("protocol.no_hole") if k < HEALTHY_ROWS else "", *[""] * (len(FORM) - 2)]
                   for k in range(ROWS)])


def leak_rows() -> list[list[str]]:
    """Return a row a hole: its diameter, and what a cylinder of each size then reads, percent of itself without."""
    percents = [percent_with_hole(HOLES_MM, displaced_cm3=float(size), rpm=CRANKING_RPM) for size in CYLINDERS_CM3]
    return [[say("protocol.no_hole") if not hole else say("protocol.diameter", hole_mm=hole),
             *(say("protocol.percent", relative_percent=float(column[k])) for column in percents)]
            for k, hole in enumerate(HOLES_MM)]
