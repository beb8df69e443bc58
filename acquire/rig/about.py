"""What a capture knows of itself: the engine, how it was measured, for which job, and how it was caught.

It travels with the samples as plain JSON (`Capture.about`), so that whoever opens the file needs nothing else. Groups,
all of them optional; a program that does not know a key leaves it alone::

    format     "crankfold.about/1"
    engine     name and what is on an `EngineCard`
    rig        name and what is on a `Rig`
    measured   probe, sync, gauge, misfire_codes, low, dead, watch: as the options of the command take them
    job        what is on a `Job`
    caught     how, board, address, settings, host, program
    result     the last result (crankfold.result/1), with `program` and `analysed_utc`
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

from crankfold.acquire.declarations import shareable
from crankfold.acquire.errors import FileFormatError
from crankfold.acquire.rig.cards import EngineCard, Rig
from crankfold.acquire.toml import KINDS, kind_of
from crankfold.analysis import InputError, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping

ABOUT_FORMAT = "crankfold.about/1"
LONGEST_LINE, LONGEST_NOTE = 120, 600  # characters: what goes on one printed page
LIMITS: tuple[str, ...] = ("low", "dead", "watch")

T = TypeVar("T")


@dataclass(frozen=True)
class Job:
    """Which job a capture belongs to: free texts, empty where nobody said.

    Parameters
    ----------
    shop, technician
        Who tests: the workshop and the person.
    customer, plate, mileage
        Whose vehicle or machine it is, its plate or name, and what its counter shows.
    temperature, notes
        Of the engine or the air, as told; anything else worth saying.

    Raises
    ------
    InputError
        A text is too long for one page.
    """

    shop: str = ""
    customer: str = ""
    plate: str = ""
    mileage: str = ""
    technician: str = ""
    temperature: str = ""
    notes: str = ""

    def __post_init__(self) -> None:
        for item in fields(self):
            text, most = getattr(self, item.name), LONGEST_NOTE if item.name == "notes" else LONGEST_LINE
            if len(text) > most:
                raise InputError(f"{item.name} has {len(text)} characters; at most {most} go on one page")


@dataclass(frozen=True)
class About:
    """What a capture knows of itself, see the module.

    Parameters
    ----------
    engine, engine_name
        The card, None where nobody said what engine it is.
    rig, rig_name
        Board, probe and wiring, None without a rig.
    probe
        Named besides the rig, and before it; as `Probe.parse` takes it.
    sync
        As `SyncSpec.parse` takes it.
    gauge, misfire_codes
        As the options of the command take them.
    limits
        ``low``, ``dead``, ``watch`` in percent of the strongest, where they are not the usual ones.
    job
        Customer, plate and so on.
    caught
        How and where: texts by name.
    result
        The last result as JSON data, None before the first.
    """

    engine: EngineCard | None = None
    engine_name: str = ""
    rig: Rig | None = None
    rig_name: str = ""
    probe: str = ""
    sync: str = ""
    gauge: str = ""
    misfire_codes: tuple[str, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    job: Job = field(default_factory=Job)
    caught: Mapping[str, Any] = field(default_factory=dict)
    result: Mapping[str, Any] | None = None

    def data(self) -> dict[str, Any]:
        """Return it as plain JSON data; what is empty is left out."""
        measured = {"probe": self.probe, "sync": self.sync, "gauge": self.gauge,
                    "misfire_codes": list(self.misfire_codes), **self.limits}
        groups = {
            "engine": {} if self.engine is None else {"name": self.engine_name, **_plain(self.engine)},
            "rig": {} if self.rig is None else {
                "name": self.rig_name, **_plain(replace(self.rig, settings=shareable(self.rig.settings)))},
            "measured": _told(measured), "job": _told(asdict(self.job)), "caught": dict(self.caught),
            "result": dict(self.result or {})}
        return {"format": ABOUT_FORMAT} | {name: group for name, group in groups.items() if group}

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> About:
        """Return what plain JSON data say, as `data` makes them; unknown keys are left out.

        Raises
        ------
        InputError
            A value cannot be, or they are of a newer format.
        """
        form = data.get("format", ABOUT_FORMAT)
        if form != ABOUT_FORMAT:
            raise InputError(f"what the capture says of itself is of the format {quoted(form)}, this program knows "
                             f"{ABOUT_FORMAT}; update crankfold")
        engine, rig, measured = (_group(data, name) for name in ("engine", "rig", "measured"))
        limits = {name: _number(measured[name], name) for name in LIMITS if name in measured}
        return cls(
            engine=_card(engine, EngineCard) if engine else None, engine_name=_text(engine, "name"),
            rig=_card(rig, Rig) if rig else None, rig_name=_text(rig, "name"), probe=_text(measured, "probe"),
            sync=_text(measured, "sync"), gauge=_text(measured, "gauge"),
            misfire_codes=tuple(map(str, measured.get("misfire_codes", ()))), limits=limits,
            job=_card(_group(data, "job"), Job), caught=_group(data, "caught"), result=_group(data, "result") or None)


def _plain(card: EngineCard | Rig) -> dict[str, Any]:
    plain = {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(card).items()}
    return _told(plain)


def _told(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value not in ("", (), [], {}, None)}


def _group(data: Mapping[str, Any], name: str) -> dict[str, Any]:
    group = data.get(name, {})
    if not isinstance(group, dict):
        raise InputError(f"what the capture says of its {name} is {quoted(group)}; it should be a table")
    return group


def _card(values: Mapping[str, Any], kind: type[T]) -> T:
    """Return a card of a group, whose values are checked like those of a file; unknown keys are left out."""
    known = {item.name: KINDS[kind_of(item.type)] for item in fields(kind)}  # type: ignore[arg-type]
    try:
        return kind(**{name: known[name].convert(value) for name, value in values.items() if name in known})
    except (TypeError, OverflowError, FileFormatError) as error:
        raise InputError(f"what the capture says of itself isn't possible: {quoted(dict(values))}") from error


def _text(group: Mapping[str, Any], name: str) -> str:
    value = group.get(name, "")
    if not isinstance(value, str):
        raise InputError(f"what the capture says of its {name} is {quoted(value)}; it should be a text")
    return value


def _number(value: Any, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"what the capture says of its limit {name!r} is {quoted(value)}; it should be a number")
    return float(value)
