"""From a capture to everything that is said and drawn of it: probe, analysis, marks, picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.analysis import Notice
from crankfold.viewer.words import notice_text, say

if TYPE_CHECKING:
    from crankfold.acquire import Probe, Rig, Source
    from crankfold.analysis import Capture, Result
    from crankfold.viewer.picture import Scene
    from crankfold.viewer.session.question import Question

PICTURE_SUFFIXES = (".svg", ".png")


@dataclass(frozen=True, eq=False)
class Judged:
    """A capture in the probe's units, its result, and the times of its sync marks in seconds."""

    capture: Capture
    result: Result
    question: Question
    marks_s: tuple[float, ...] = ()


def judge(capture: Capture, question: Question, notices: Sequence[Notice] = ()) -> Judged:
    """Return what a capture says; `notices` of its source become cautions.

    Raises
    ------
    InputError
        The capture and the question do not go together.
    """
    from crankfold.analysis import analyse
    from crankfold.viewer.words import use_units

    use_units(question.units)
    capture = in_amperes(capture, question.rig, question.probe)
    result = analyse(capture, question.engine, sync=question.syncs, thresholds=question.thresholds,
                     gauge=question.gauge, misfire_codes=question.misfire_codes)
    return Judged(capture, with_notices(result, notices), question, result.sync_pulses_s)


def judge_as_told(capture: Capture, options: Mapping[str, Any], notices: Sequence[Notice] = ()) -> Judged:
    """Return what a capture says, asked as the options say and, where they say nothing, as it says itself.

    Raises
    ------
    InputError
        Neither says what engine it is, or capture and question do not go together.
    """
    from crankfold.viewer.session.particulars import question_for

    question, said = question_for(capture, options)
    return judge(capture, question, (*notices, *said))


def pool(judged: Sequence[Judged]) -> Judged:
    """Return several cranks of one engine as one answer; what is drawn is the crank that the answer starts from.

    Raises
    ------
    InputError
        The engines differ.
    """
    from crankfold.analysis import pooled_cranks

    if len(judged) == 1:
        return judged[0]
    result = pooled_cranks([j.result for j in judged], thresholds=judged[0].question.thresholds)
    shown = next((j for j in judged if j.result.trace is result.trace), judged[0])
    return replace(shown, result=result)


def check_different(paths: Sequence[Path], judged: Sequence[Judged]) -> None:
    """Complain about a recording that is given twice, under whatever name: it says nothing that it had not said.

    Raises
    ------
    InputError
        Two of them hold the same samples.
    """
    from crankfold.analysis import InputError, same_recordings

    for path, before in zip(paths, same_recordings([j.result for j in judged]), strict=True):
        if before is not None:
            raise InputError(say("problem.same_recording", path=path, before=paths[before]))


def in_amperes(capture: Capture, rig: Rig | None, probe: Probe | None) -> Capture:
    """Return the capture as rig and probe say it is; a probe that is named goes before the rig's.

    Raises
    ------
    InputError
        The rig or the probe does not go with the capture's channels.
    """
    from crankfold.acquire import in_base_units, wired

    if rig is not None:
        return wired(capture, rig if probe is None else replace(rig, probe=str(probe)))
    return in_base_units(capture) if probe is None else probe.apply(capture)


def with_notices(result: Result, notices: Sequence[Notice]) -> Result:
    """Return the result with what its source survived among the cautions."""
    return replace(result, cautions=(*result.cautions, *map(_worded, notices))) if notices else result


def survived(source: Source) -> list[str]:
    """Return what a source has survived so far, one sentence each; not what a stored capture survived once."""
    return [notice_text("caution", _worded(notice)) for notice in source.notices if notice not in source.info.notices]


def _worded(notice: Notice) -> Notice:
    """Return a notice; what a source put into words of its own is written like our sentences."""
    text = notice.facts.get("text")
    return Notice(notice.code, {**notice.facts, "text": sentence_of(text)}) if isinstance(text, str) else notice


def sentence_of(text: str) -> str:
    """Return what a source said, written like our own sentences."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


def scene_of(judged: Judged, name: str = "") -> Scene:
    """Return the picture of a judged capture."""
    from crankfold.viewer.picture import picture_of

    return picture_of(judged.result, judged.capture, marks_s=judged.marks_s, name=name,
                      limit_percent=judged.question.thresholds.low_percent)


def check_picture_path(path: Path) -> None:
    """Complain about a picture's name that says neither SVG nor PNG.

    Raises
    ------
    InputError
        It ends in something else.
    """
    from crankfold.analysis import InputError

    if path.suffix.lower() not in PICTURE_SUFFIXES:
        raise InputError(say("problem.picture_suffix", path=str(path)))


def picture_bytes(judged: Judged, path: Path, name: str = "") -> bytes:
    """Return the picture as the kind of file that the path's ending says."""
    return scene_bytes(scene_of(judged, name), path)


def scene_bytes(scene: Scene, path: Path) -> bytes:
    """Return a scene as the kind of file that the path's ending says."""
    if path.suffix.lower() == ".svg":
        from crankfold.viewer.picture import write_svg

        return write_svg(scene).encode("utf-8")
    from crankfold.viewer.picture import write_png

    return write_png(scene)
