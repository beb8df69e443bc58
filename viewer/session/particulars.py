"""From a question to what a capture knows of itself, and back: what was kept can be asked again without options."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from crankfold.acquire import About, EngineCard, Job
from crankfold.analysis import Notice
from crankfold.viewer.session.question import question_of
from crankfold.viewer.session.recording import HDF5_SUFFIXES
from crankfold.viewer.words import result_text

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

    from crankfold.analysis import Capture, Engine, Result
    from crankfold.viewer.session.question import Question

OVERRIDDEN = "overridden"
"""Code of the caution that an option says something else than the capture."""

UNREADABLE = "about-unreadable"
"""Code of the caution that what the capture says of itself cannot be read."""


NOTHING_GIVEN: Mapping[str, Any] = {
    "firing_order": None, "intervals": None, "strokes": None, "engine_name": "", "engine": None, "rig": None,
    "clamp": None, "probe": None, "sync": None, "gauge": None, "misfire_codes": (), "low": None, "dead": None,
    "watch": None}
"""The options of a question of which none was given."""


def about_of(question: Question, job: Job | None = None) -> About:
    """Return what a capture is to know of itself, from what is asked of it and the job it belongs to."""
    limits, gauge = question.thresholds, question.gauge
    return About(
        engine=_card(question), engine_name=question.engine.name, rig=question.rig, rig_name=question.rig_name,
        probe="" if question.probe is None else str(question.probe), sync=question.sync_text,
        gauge="" if gauge is None else gauge.text, misfire_codes=question.misfire_codes,
        limits={"low": limits.low_percent, "dead": limits.dead_percent, "watch": limits.watch_percent},
        job=job or Job())


def told_about(capture: Capture) -> About | None:
    """Return what a capture knows of itself, None where it knows nothing.

    Raises
    ------
    InputError
        It cannot be, or is of a newer format.
    """
    known = {name: group for name, group in capture.about.items() if name != "problem"}
    return About.of(known) if known else None


def question_for(capture: Capture, options: Mapping[str, Any]) -> tuple[Question, tuple[Notice, ...]]:
    """Return what is asked of a capture: what the options say goes before what it knows of itself, and that is noted.

    Raises
    ------
    InputError
        Neither says enough, or something cannot be.
    """
    notices: tuple[Notice, ...] = ()
    if "problem" in capture.about:
        notices = (Notice(UNREADABLE, {"text": str(capture.about["problem"])}),)
    about = told_about(capture)
    if about is None:
        return question_of(options), notices
    own = question_of(filled(NOTHING_GIVEN, about)) if about.engine is not None else None
    asked = replace(question_of(filled(options, about)), card=about.engine)
    changed = () if own is None else _changed(own, asked)
    if changed:
        notices = (*notices, Notice(OVERRIDDEN, {"names": ", ".join(changed)}))
    return asked, notices


def check_options(options: Mapping[str, Any], paths: Collection[Path]) -> None:
    """Complain about a mistake in the options before a file is read; a capture of our own may say what they do not.

    Raises
    ------
    InputError
        An option is missing, cannot be understood, or does not fit the engine.
    """
    if options.get("firing_order") or options.get("engine") or any(
            path.suffix.lower() not in HDF5_SUFFIXES for path in paths):
        question_of(options)


def filled(options: Mapping[str, Any], about: About) -> dict[str, Any]:
    """Return the options of a question, those that were not given as the capture says."""
    whole = dict(options)
    if about.engine is not None and not (options.get("engine") or options.get("firing_order")):
        card = about.engine
        known = {"firing_order": card.firing_order, "intervals": card.intervals, "strokes": card.strokes,
                 "fuel": card.kind_of_fuel, "system_v": card.system_v, "engine_name": about.engine_name}
        whole |= {name: value for name, value in known.items() if value and not options.get(name)}
    if about.rig is not None and not options.get("rig"):
        whole |= {"rig": about.rig, "rig_name": about.rig_name}
    if about.probe and not (options.get("probe") or options.get("clamp") or options.get("rig")):
        whole["probe"] = about.probe
    if about.sync and options.get("sync") is None and not options.get("rig"):
        whole["sync"] = about.sync
    for name, value in (("gauge", about.gauge), ("misfire_codes", about.misfire_codes), *about.limits.items()):
        if value and not options.get(name):
            whole[name] = value
    return whole


def _changed(own: Question, asked: Question) -> list[str]:
    """Return the names of what an option says otherwise than the capture."""
    pairs = {
        "engine": (_bare(own.engine), _bare(asked.engine)), "rig": (own.rig, asked.rig),
        "probe": (str(own.probe or ""), str(asked.probe or "")), "sync": (own.sync_text, asked.sync_text),
        "gauge": (own.gauge, asked.gauge), "misfire-code": (own.misfire_codes, asked.misfire_codes),
        "limits": (own.thresholds, asked.thresholds)}
    return [name for name, (before, now) in pairs.items() if before != now]


def _bare(engine: Engine) -> Engine:
    return replace(engine, name="")


def _card(question: Question) -> EngineCard:
    """Return the engine's card: the one that was named as far as the engine is its, else one made of the engine."""
    engine = question.engine
    made = EngineCard(
        "-".join(map(str, engine.firing_order)), strokes=engine.strokes, fuel=engine.fuel,
        intervals="" if engine.even_firing else "-".join(f"{x:.6g}" for x in engine.intervals_deg),
        system_v=round(engine.system_v))
    if question.card is None:
        return made
    own = ("firing_order", "strokes", "fuel", "intervals", "system_v")
    return replace(question.card, **{name: getattr(made, name) for name in own})


def with_result(capture: Capture, result: Result) -> Capture:
    """Return the capture with its last result, and the program that drew it, among what it knows of itself."""
    import json
    from datetime import UTC, datetime
    from importlib.metadata import version

    drawn = {**json.loads(result_text(result)), "program": f"crankfold {version('crankfold')}",
             "analysed_utc": datetime.now(UTC).isoformat(timespec="seconds")}
    return replace(capture, about={**capture.about, "result": drawn})


def sheet_job(capture: Capture, given: Job | None = None) -> Job:
    """Return what the sheet is to say of the job: as given, and where nothing was given as the capture says."""
    from dataclasses import fields

    about, given = told_about(capture), given or Job()
    own = about.job if about is not None else Job()
    return Job(**{item.name: getattr(given, item.name) or getattr(own, item.name) for item in fields(Job)})
