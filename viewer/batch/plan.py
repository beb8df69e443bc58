"""Which captures a batch judges, and what is asked of each: from the command, a list, and files beside the captures.

Beside ``crank.csv.gz`` may lie ``crank.toml``: an engine card, or any of the command's options by their long name
(``firing-order``, ``clamp``, ``sync``, ...). A list is a CSV table with a column ``file`` and others named the same
way. What a list says goes before what lies beside the file, and that before the command's own options.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.analysis import CrankfoldError, InputError
from crankfold.viewer.batch.beside import READING, SIDECAR, on_one_line, overlaid, read_sidecar
from crankfold.viewer.session import question_of
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.acquire import Plugins
    from crankfold.viewer.session import Question

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
    question
        What is asked; None when that cannot be understood, and `problem` says why.
    key
        Of everything that decides the answer, the file's size and time among it.
    only_own
        Whether plugins that do not come with this program are left out.
    """

    path: str
    shown: str
    settings: tuple[tuple[str, str], ...]
    question: Question | None
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
        self._ask = lru_cache(maxsize=256)(self._asked)

    def jobs(self, paths: Sequence[Path], listed: Mapping[Path, Mapping[str, Any]],
             leave_out: Sequence[Path] = ()) -> list[Job]:
        """Return the jobs of all captures in files and folders, each once, in the order of their names.

        Raises
        ------
        InputError
            There is none, a path does not exist, or one of a list is a folder: its settings would reach no capture.
        """
        out = {path.resolve() for path in leave_out}
        own = {path.resolve(): said for path, said in listed.items()}
        found: dict[Path, str] = {}
        folder = next((path for path in listed if os.path.isdir(path)), None)  # noqa: PTH112
        if folder is not None:
            raise InputError(say("batch.folder_in_list", path=on_one_line(str(folder), PATH_SHOWN)))
        for path in [*paths, *listed]:
            for file in self._files(path):
                whole, shown = file.resolve(), file.as_posix()
                if whole not in out:
                    found[whole] = min(shown, found.get(whole, shown))
        if not found:
            raise InputError(say("batch.nothing", paths=", ".join(map(str, paths))))
        return [self._job(whole, shown, own.get(whole, {}))
                for whole, shown in sorted(found.items(), key=lambda pair: (pair[1], str(pair[0])))]

    def _files(self, path: Path) -> Iterator[Path]:
        if not os.path.isdir(path):  # noqa: PTH112 - a path's own method fails on names that are too long
            if not os.path.exists(path):  # noqa: PTH110
                raise InputError(say("batch.no_file", path=on_one_line(str(path), PATH_SHOWN)))
            yield path
            return
        for folder, inner, names in os.walk(path):
            inner[:] = sorted(name for name in inner if not name.startswith("."))
            yield from (Path(folder) / name for name in sorted(names)
                        if not name.startswith(".") and self._suffix(name) is not None)

    def _suffix(self, name: str) -> str | None:
        endings = [s for reader in self._readers for s in reader.suffixes if name.lower().endswith(s.lower())]
        return max(endings, key=len, default=None)

    def _job(self, whole: Path, shown: str, listed: Mapping[str, Any]) -> Job:
        question, problem = None, None
        settings = dict(self._fitting(whole.name))
        try:
            beside = read_sidecar(whole.with_name(whole.name[: -len(self._suffix(whole.name) or "") or None] + SIDECAR))
            own = {**beside, **listed}
            settings |= {name: str(own[name]) for name in READING if name in own}
            question = self._ask(json.dumps(overlaid(self._options, beside, listed), sort_keys=True))
        except Exception as error:
            if not _said_to_people(error):
                raise
            problem = str(error)
        asked = repr((self._version, sorted(settings.items()), question, problem, _stamp(whole), shown))
        return Job(str(whole), shown, tuple(sorted(settings.items())), question, problem,
                   hashlib.sha256(asked.encode()).hexdigest(), self._only_own)

    def _fitting(self, name: str) -> Iterator[tuple[str, str]]:
        """Yield the command's settings that the file's reader knows: one batch may hold several kinds of file."""
        suffix = self._suffix(name)
        reader = next((r for r in self._readers if suffix in r.suffixes), None)
        known = None if reader is None else {setting.name for setting in reader.settings}
        return ((k, v) for k, v in self._settings.items() if known is None or k in known)

    def _asked(self, options: str) -> Question:
        return question_of(json.loads(options))


def _stamp(path: Path) -> tuple[int, int]:
    try:
        facts = path.stat()
    except OSError:
        return -1, -1
    return facts.st_size, facts.st_mtime_ns


def _said_to_people(error: Exception) -> bool:

    return isinstance(error, CrankfoldError)
