"""A bundle to give away: one capture with what the gauge said, under an open licence, and nothing personal.

A ZIP archive whose members are always of one date, format ``crankfold.bundle/1``::

    bundle.toml    licence and consent; [engine] and [rig] as the options of the command say them
    capture.h5     the samples in the probe's units (crankfold.capture/1), without notes, date or origin
    gauge.toml     the readings (crankfold.gauge/1); who read them is a letter
    result.json    optional: what the program said then (crankfold.result/1), without the engine's name
    seal.json      optional: the seal of that result (crankfold.seal/1)

Only listed fields are taken over. What is finished is searched once more, see `privacy`.
"""

from __future__ import annotations

import io
import json
import string
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.acquire import parse_toml
from crankfold.analysis import InputError
from crankfold.viewer.evidence.gauge_file import GAUGE_FORMAT, GaugeSheet, sheet_of
from crankfold.viewer.evidence.privacy import names_within, own_names, personal
from crankfold.viewer.evidence.seal import RESULT_FORMAT, SEAL_FORMAT, holds, parse_json
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.analysis import Capture
    from crankfold.viewer.session import Question

FORMAT = "crankfold.bundle/1"
BUNDLE_SUFFIX = ".bundle.zip"
LICENCES = ("CC0-1.0", "CC-BY-4.0")
"""By their SPDX identifiers: to the public domain, or with the source named (who gives the bundle, as they wish)."""

CARD, CAPTURE, GAUGE, RESULT, SEAL = "bundle.toml", "capture.h5", "gauge.toml", "result.json", "seal.json"
MEMBERS = (CARD, CAPTURE, GAUGE, RESULT, SEAL)
MOST_BYTES = {CARD: 20_000, CAPTURE: 200_000_000, GAUGE: 20_000, RESULT: 2_000_000, SEAL: 20_000}
EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date that ZIP knows
CHANNELS = ("current", "sync", "pressure", "voltage", "speed")
OPTIONS = ("firing_order", "intervals", "strokes", "fuel", "system_v", "engine", "rig", "clamp", "probe", "gauge",
           "watch")
LONGEST_NOTE = 300  # characters: what an engine is and how it was warmed; a report belongs elsewhere
HELD_BACK = ("next", "next_test", "health", "headline")  # of a result: words, and what follows from the rest
NO_PERSON = ""
FIXED = ("format", "licence", "firing_order", "intervals", "sha256", "code", "seal")
"""Keys whose texts are digits by their form, and could not be anything else."""


@dataclass(frozen=True, eq=False)
class Bundle:
    """What a bundle holds.

    Parameters
    ----------
    capture_image
        The bytes of its capture file.
    options
        Of `question_of`: engine and sync; the samples are in the probe's units already.
    gauge
        The readings.
    licence
        One of `LICENCES`.
    result, seal
        What the program said when the capture was made and the seal of that, None without.
    note
        Free text.
    probe
        What the current came through, for people.
    """

    capture_image: bytes
    options: Mapping[str, Any]
    gauge: GaugeSheet
    licence: str
    result: Mapping[str, Any] | None = None
    seal: Mapping[str, Any] | None = None
    note: str = ""
    probe: str = ""


def make_bundle(capture: Capture, question: Question, gauge: GaugeSheet, *, licence: str, note: str = "",
                result: Mapping[str, Any] | None = None, seal: Mapping[str, Any] | None = None) -> bytes:
    """Return the bytes of a bundle.

    Parameters
    ----------
    capture
        In the probe's units, see `session.judge.in_amperes`.

    Raises
    ------
    InputError
        The licence is not an open one of the list, the seal does not hold, or something personal is left in it.
    """
    import tomli_w

    from crankfold.acquire import capture_image

    if licence not in LICENCES:
        raise InputError(say("bundle.licence", text=licence[:40], names=LICENCES))
    if len(note) > LONGEST_NOTE:
        raise InputError(say("problem.too_long", name="note", count=len(note), most=LONGEST_NOTE))
    if seal is not None and (result is None or not holds(seal, result)):
        raise InputError(say("bundle.broken_seal"))
    card = {"format": FORMAT, "licence": licence, "consent": True, "note": " ".join(note.split()),
            "engine": _engine(question), "rig": _rig(question, capture)}
    members = {CARD: tomli_w.dumps(card).encode(), CAPTURE: capture_image(stripped(capture)),
               GAUGE: tomli_w.dumps(_gauge_table(gauge)).encode()}
    if result is not None:
        members[RESULT] = json.dumps(stripped_result(result), indent=1, sort_keys=True).encode()
    if seal is not None:
        kept = {name: seal[name] for name in ("format", "sha256", "code")}
        members[SEAL] = json.dumps(kept, indent=1, sort_keys=True).encode()
    _check(members)
    return _packed(members)


def stripped(capture: Capture) -> Capture:
    """Return the capture without origin, date, notes, and names of channels that are not common ones."""
    names = _plain_names(capture)
    channels = [replace(c, name=names[c.name]) for c in capture.channels]
    return replace(capture, origin="", started_utc=None, notes={}, about={}, channels=tuple(channels))


def _plain_names(capture: Capture) -> dict[str, str]:
    """Return what each channel is called in a bundle: its own name if it is a common one, else its place."""
    return {c.name: c.name if c.name in CHANNELS else f"channel{k + 1}" for k, c in enumerate(capture.channels)}


def stripped_result(result: Mapping[str, Any]) -> dict[str, Any]:
    """Return a result without names, and without the texts of reasons and cautions: they may repeat a file's name."""
    out = {name: value for name, value in result.items() if name not in HELD_BACK}
    out["engine"] = {**(result.get("engine") or {}), "name": ""}
    for family in ("reasons", "cautions", "notes"):
        out[family] = [{"code": notice.get("code")} for notice in result.get(family) or ()]
    out["pattern"] = None if not result.get("pattern") else {"code": result["pattern"].get("code")}
    return out


def _engine(question: Question) -> dict[str, Any]:
    engine = question.engine
    card: dict[str, Any] = {"firing_order": "-".join(map(str, engine.firing_order)), "strokes": engine.strokes,
                            "system_v": engine.system_v}
    if not engine.even_firing:
        card["intervals"] = "-".join(f"{x:g}" for x in engine.intervals_deg)
    return card | ({"fuel": engine.fuel} if engine.fuel else {})


def _rig(question: Question, capture: Capture) -> dict[str, Any]:
    rig, probe = question.rig, question.probe
    names = _plain_names(capture)
    sync = ", ".join(str(replace(spec, channel=names.get(spec.channel, spec.channel))) for spec in question.syncs)
    text = str(probe) if probe is not None else rig.probe if rig is not None else ""
    return {"probe": text, "sync": sync or "none", "sample_rate_hz": float(capture.rate_hz)}


def _gauge_table(gauge: GaugeSheet) -> dict[str, Any]:
    table: dict[str, Any] = {"format": GAUGE_FORMAT, "unit": "bar", "by": "A" if gauge.by else NO_PERSON,
                             "blind": gauge.blind, "seal": "".join(c for c in gauge.seal.lower()
                                                                   if c in string.hexdigits + "-")}
    if gauge.rpm is not None:
        table["rpm"] = round(gauge.rpm, 1)
    for name, readings in (("readings", gauge.dry), ("wet", gauge.wet)):
        if readings:
            table[name] = {str(c): [round(bar, 4) for bar in values] for c, values in readings.items()}
    return table


def _check(members: Mapping[str, bytes]) -> None:
    """Search every text of the members; the capture's are of the fixed list that `stripped` leaves.

    Raises
    ------
    InputError
        One holds something personal.
    """
    names = own_names()
    for name, content in members.items():
        if name == CAPTURE:
            continue
        data = json.loads(content) if name.endswith(".json") else parse_toml(content)
        for text in _texts(data):
            found = [*(words for _, words in personal(text)), *names_within(text.encode(), names)]
            if found:
                raise InputError(say("bundle.personal", name=name, text=found[0][:60]))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from () if key in FIXED else _texts(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _texts(inner)


def _packed(members: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            info = zipfile.ZipInfo(name, EPOCH)
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, content)
    return out.getvalue()


def read_bundle(path: Path) -> Bundle:
    """Return what a bundle holds.

    Raises
    ------
    InputError
        It is no bundle, a damaged one, or one without consent.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = {info.filename: _member(archive, info, path) for info in archive.infolist()}
        card = parse_toml(members[CARD])
        gauge = sheet_of(parse_toml(members[GAUGE]), f"{path}, {GAUGE}")
    except InputError:
        raise
    except (OSError, KeyError, ValueError, RecursionError, RuntimeError, NotImplementedError, EOFError,
            zipfile.BadZipFile, zipfile.LargeZipFile) as error:
        raise InputError(say("bundle.unreadable", path=str(path), reason=" ".join(str(error).split())[:80])) from error
    licence = card.get("licence")
    if card.get("format") != FORMAT or card.get("consent") is not True or licence not in LICENCES or (
            CAPTURE not in members):
        raise InputError(say("bundle.no_consent", path=str(path), format=FORMAT))
    result = parse_json(members[RESULT], RESULT_FORMAT, f"{path}, {RESULT}") if RESULT in members else None
    seal = parse_json(members[SEAL], SEAL_FORMAT, f"{path}, {SEAL}") if SEAL in members else None
    told = card.get("rig")
    rig: Mapping[str, Any] = told if isinstance(told, dict) else {}
    return Bundle(members[CAPTURE], _options(card, rig, path), gauge, str(licence), result, seal,
                  str(card.get("note", "")), str(rig.get("probe", "")))


def _member(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path) -> bytes:
    if info.filename not in MEMBERS or info.file_size > MOST_BYTES[info.filename]:
        raise InputError(say("bundle.strange", path=str(path), name=info.filename[:40]))
    with archive.open(info) as member:
        return member.read(MOST_BYTES[info.filename])


def _options(card: Mapping[str, Any], rig: Mapping[str, Any], path: Path) -> dict[str, Any]:
    engine = card.get("engine")
    if not isinstance(engine, dict) or not isinstance(engine.get("firing_order"), str):
        raise InputError(say("bundle.unreadable", path=str(path), reason="engine.firing_order"))
    kinds: dict[str, type | tuple[type, ...]] = {"firing_order": str, "intervals": str, "strokes": int, "fuel": str,
                                                 "system_v": (int, float)}
    for name, kind in kinds.items():
        if name in engine and not isinstance(engine[name], kind):
            raise InputError(say("bundle.unreadable", path=str(path), reason=f"engine.{name}"))
    options: dict[str, Any] = dict.fromkeys(OPTIONS)
    options |= {name: engine[name] for name in kinds if name in engine}
    return options | {"engine_name": "", "sync": str(rig.get("sync", "none")), "misfire_codes": (), "low": 75.0,
                      "dead": 15.0}
