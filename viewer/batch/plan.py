"""Which captures a batch judges, and what is asked of each: from the command, a list, and files beside the captures.

Beside ``crank.csv.gz`` may lie ``crank.toml``: an engine card, or any of the command's options by their long name
(``firing-order``, ``clamp``, ``sync``, ...). A list is a CSV table with a column ``file`` and others named the same
way. What a list says goes before what lies beside the file, that before the command's own options, and those before
what a capture knows of itself.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.analysis import CrankfoldError, InputError
from crankfold.viewer.batch.beside import (
    MAX_SIDECAR_BYTES,
    READING,
    SIDECAR,
    on_one_line,
    options_in,
    overlaid,
    read_sidecar,
)
from crankfold.viewer.batch.far import far_bytes, far_name, is_far, stamp_of, walk_far
from crankfold.viewer.batch.places import Place, Places
from crankfold.viewer.batch.table import is_table, printable
from crankfold.viewer.session import HDF5_SUFFIXES, carried, question_of
from crankfold.viewer.words import say, worded

if TYPE_CHECKING:
    from crankfold.acquire import Plugins

PATH_SHOWN = 300  # characters of a path that is not there; longer ones are mistakes of another kind


@dataclass(frozen=True)
class Job:
    """One capture to judge.

    Parameters
    ----------
    path, shown
        Where it is, absolute, and how it is called in the table.
    settings
        Of its reader.
    options
        What is asked, rigs and engine cards themselves in place of their names; None when that cannot be understood,
        and `problem` says why.
    key
        Of everything that decides the answer, the file's size and time among it.
    only_own
        Whether plugins that do not come with this program are left out.
    """

    path: str
    shown: str
    settings: tuple[tuple[str, str], ...]
    options: Mapping[str, Any] | None
    problem: str | None
    key: str
    only_own: bool = False


class Planner:
    """Makes the jobs of a batch.

    Parameters
    ----------
    options, settings
        The command's own.
    plugins
        Whose readers decide what a capture file is.
    version
        Of this program: another version judges again.

    Raises
    ------
    InputError
        The options cannot be understood, or no reader knows a setting.
    """

    def __init__(self, options: Mapping[str, Any], settings: Mapping[str, str], plugins: Plugins,
                 version: str) -> None:
        self._options, self._settings, self._version = dict(options), dict(settings), version
        self._only_own = plugins.only_own
        self._readers = [offered.declaration for offered in plugins.readers.values()]
        known = {setting.name for reader in self._readers for setting in reader.settings}
        for name in settings:
            if name not in known:
                raise InputError(say("problem.no_such_setting", name=name))
        if options["firing_order"] or options["engine"]:
            question_of(options)
        self._ask = lru_cache(maxsize=256)(_asked)

    def jobs(self, paths: Sequence[Path | str], listed: Iterable[tuple[str, Mapping[str, Any]]] = (),
             leave_out: Sequence[Path] = ()) -> Plan:
        """Return the jobs of all captures in files and folders, each once, in the order of their names.

        Raises
        ------
        InputError
            There is none, a path does not exist, or one of a list is a folder: its settings would reach no capture.
        """
        out = {str(path.resolve()) for path in leave_out}
        places = Places()
        places.add(place for path in paths for place in self._places(str(path)) if place.whole not in out)
        places.add(place for place in self._listed(listed) if place.whole not in out)
        if not len(places):
            raise InputError(say("batch.nothing", paths=", ".join(map(str, paths))))
        return Plan(places, self)

    def _listed(self, listed: Iterable[tuple[str, Mapping[str, Any]]]) -> Iterator[Place]:
        for path, own in listed:
            if not is_far(path) and os.path.isdir(path):  # noqa: PTH112
                raise InputError(say("batch.folder_in_list", path=on_one_line(path, PATH_SHOWN)))
            for place in self._places(path):
                yield Place(place.whole, place.shown, place.stamp, place.beside, json.dumps(own))

    def _places(self, path: str) -> Iterator[Place]:
        if is_far(path):
            for address, facts, names in walk_far(path):
                suffix = self._suffix(far_name(address))
                if address == path or (suffix is not None and not far_name(address).startswith(".")):
                    beside = far_name(_beside(address, suffix)) in names if names else None
                    yield Place(address, address, stamp_of(facts), beside)
            return
        for file in self._files(Path(path)):
            yield Place(str(file.resolve()), file.as_posix())

    def _files(self, path: Path) -> Iterator[Path]:
        if not os.path.isdir(path):  # noqa: PTH112 - a path's own method fails on names that are too long
            if not os.path.exists(path):  # noqa: PTH110
                raise InputError(say("batch.no_file", path=on_one_line(str(path), PATH_SHOWN)))
            yield path
            return
        for folder, inner, names in os.walk(path):
            inner[:] = sorted(name for name in inner if not name.startswith("."))
            yield from (Path(folder) / name for name in sorted(names)
                        if not name.startswith(".") and self._suffix(name) is not None
                        and not is_table(Path(folder) / name))

    def _suffix(self, name: str) -> str | None:
        endings = [s for reader in self._readers for s in reader.suffixes if name.lower().endswith(s.lower())]
        return max(endings, key=len, default=None)

    def job_of(self, place: Place) -> Job:
        """Return the job of one capture."""
        name = far_name(place.whole) if is_far(place.whole) else Path(place.whole).name
        options, problem, settings = None, None, dict(self._fitting(name))
        try:
            beside = _said_beside(place, _beside(place.whole, self._suffix(name)))
            listed = json.loads(place.own) if place.own else {}
            own = {**beside, **listed}
            settings |= {key: str(own[key]) for key in READING if key in own}
            itself = Path(name).suffix.lower() in HDF5_SUFFIXES
            options = self._ask(json.dumps(overlaid(self._options, beside, listed), sort_keys=True), itself)
        except CrankfoldError as error:
            problem = worded(error)
        read = tuple(sorted(settings.items()))
        stamp = place.stamp or _stamp(Path(place.whole))
        asked = repr((self._version, read, options and sorted(options.items()), problem, stamp, place.shown))
        key = hashlib.sha256(asked.encode()).hexdigest()
        return Job(place.whole, place.shown, read, options, problem, key, self._only_own)

    def _fitting(self, name: str) -> Iterator[tuple[str, str]]:
        """Yield the command's settings that the file's reader knows: one batch may hold several kinds of file."""
        suffix = self._suffix(name)
        reader = next((r for r in self._readers if suffix in r.suffixes), None)
        known = None if reader is None else {setting.name for setting in reader.settings}
        return ((k, v) for k, v in self._settings.items() if known is None or k in known)


class Plan:
    """The jobs of a batch, each made when it is due, so that a million of them take no memory."""

    def __init__(self, places: Places, planner: Planner) -> None:
        self._places, self._planner = places, planner

    def __len__(self) -> int:
        return len(self._places)

    def __iter__(self) -> Iterator[Job]:
        for place in self._places:
            job = self._planner.job_of(place)
            self._places.note(printable(job.shown), job.key)
            yield job

    def keys(self) -> Iterator[str]:
        """Yield the keys of the jobs that were made, in order of their captures' names."""
        return self._places.keys()

    def key_of(self, shown: str) -> str | None:
        """Return the key of the job that was made for a capture as its row calls it, None where there was none."""
        return self._places.key_of(shown)


def _asked(options: str, may_say_itself: bool) -> Mapping[str, Any]:
    """Return what is asked, checked as far as that can be done without the capture."""
    asked = carried(json.loads(options))
    if not may_say_itself or asked["firing_order"] or asked["engine"]:
        question_of(asked)
    return asked


def _beside(whole: str, suffix: str | None) -> str:
    """Return where the options of a capture would lie; ``crank.csv.gz`` has them in ``crank.toml``."""
    return (whole[: -len(suffix)] if suffix and whole.lower().endswith(suffix.lower()) else whole) + SIDECAR


def _said_beside(place: Place, sidecar: str) -> dict[str, Any]:
    if not is_far(place.whole):
        return read_sidecar(Path(sidecar))
    content = None if place.beside is False else far_bytes(sidecar, MAX_SIDECAR_BYTES)
    return {} if content is None else options_in(content, sidecar)


def _stamp(path: Path) -> tuple[int, int]:
    try:
        facts = path.stat()
    except OSError:
        return -1, -1
    return facts.st_size, facts.st_mtime_ns
