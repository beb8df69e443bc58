"""The rules for a plugin as a whole: what it declares, that declaring touches nothing, what it refuses and how."""

from __future__ import annotations

import re
import sys
import tempfile
import threading
from contextlib import contextmanager
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.acquire.declarations import CONTRACT, BoardDeclaration, BoardFound, ReaderDeclaration
from crankfold.acquire.errors import AcquireError, FileFormatError
from crankfold.acquire.testing.outcome import NotTriedError, RuleBrokenError, require, rule
from crankfold.acquire.testing.plugin_case import BOARDS_HOOK, READERS_HOOK, PluginCase
from crankfold.acquire.testing.running import RULE_DEADLINE_S, try_rules

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import ModuleType

    from crankfold.acquire.contract import Source
    from crankfold.acquire.testing.outcome import Rule, RuleOutcome


HARMLESS = ("/dev/null", "/dev/urandom", "/dev/random", "/dev/shm", "/dev/fd", "/dev/tty\0")
CALLS = frozenset({"socket.connect", "socket.bind", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn",
                   "os.remove", "os.rename", "os.mkdir", "ctypes.dlopen"})

_noting = threading.local()
NAME = re.compile(r"[a-z][a-z0-9-]*")
SUFFIX = re.compile(r"(?:\.[a-z0-9]+)+")
NOBODY = "nobody-has-this-address"
SLACK_S = 0.5


@contextmanager
def touched(*, loading: bool = True) -> Iterator[list[str]]:
    """Give a list that fills with what this thread touches, in words; empty when it touches nothing.

    Parameters
    ----------
    loading
        Whether loading a system library counts.
    """
    _listen()
    notes: list[str] = []
    _noting.notes, _noting.loading = notes, loading
    try:
        yield notes
    finally:
        _noting.notes = None


@cache
def _listen() -> None:
    sys.addaudithook(_hear)  # can never be taken away again, so it is added once and sleeps between uses


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    notes = getattr(_noting, "notes", None)
    if notes is None:
        return
    if event == "open":
        _hear_open(notes, str(arguments[0]), str(arguments[1] or ""), arguments[2])
    elif event in CALLS and (_noting.loading or not _is_loading(event, str(arguments[0]))):
        notes.append(f"{event} {arguments[0]!r}"[:100])


def _is_loading(event: str, what: str) -> bool:
    """Return whether it is part of loading a system library: the system's own linker is asked where it lies."""
    return event == "ctypes.dlopen" or (event == "subprocess.Popen" and what.rpartition("/")[2] == "ldconfig")


def _hear_open(notes: list[str], path: str, mode: str, flags: Any) -> None:
    device = path.startswith(("/dev/", "\\\\.\\")) and not path.startswith(HARMLESS)
    writing = any(letter in mode for letter in "wax+") and not path.endswith(".pyc") and "__pycache__" not in path
    if device or writing:
        notes.append(f"opens {path}")


@rule("contract-number", "the module says crankfold_contract, and it is the number of this version")
def contract_number(case: PluginCase) -> None:
    """Try it."""
    number = getattr(case.module, "crankfold_contract", None)
    require(number == CONTRACT, f"crankfold_contract is {number!r}, this version speaks {CONTRACT}")


@rule("hooks-declare", "the hooks are marked with hookimpl and return declarations, at least one, twice the same")
def hooks_declare(case: PluginCase) -> None:
    """Try it."""
    count = 0
    for hook, kind in ((BOARDS_HOOK, BoardDeclaration), (READERS_HOOK, ReaderDeclaration)):
        function = getattr(case.module, hook, None)
        require(function is None or hasattr(function, "crankfold_impl"), f"{hook} is not marked with hookimpl")
        try:
            declared, again = case.declared(hook), case.declared(hook)
        except Exception as error:
            raise RuleBrokenError(f"{hook} raised a {type(error).__name__}: {error}") from error
        for declaration in declared:
            require(isinstance(declaration, kind), f"{hook} returned a {type(declaration).__name__}")
        require([d.name for d in declared] == [d.name for d in again],
                f"{hook} returned something else the second time")
        count += len(declared)
    require(count, "it declares neither a board nor a file reader")


@rule("declaring-touches-nothing", "asking a plugin what it offers opens no device, writes no file, starts nothing")
def declaring_touches_nothing(case: PluginCase) -> None:
    """Try it."""
    for hook in (BOARDS_HOOK, READERS_HOOK):
        with touched() as notes:
            try:
                case.declared(hook)
            except Exception as error:
                raise NotTriedError(f"see the rule hooks-declare: {error}") from error
        require(not notes, f"{hook}: {'; '.join(notes)}")


@rule("well-declared", "names are lower-case words with dashes, each once; titles and helps are single lines; settings "
                       "say what they mean; suffixes begin with a dot, the longest first")
def well_declared(case: PluginCase) -> None:
    """Try it."""
    declarations = _all(case)
    names = [declaration.name for declaration in declarations]
    require(len(set(names)) == len(names), f"a name is declared twice: {names}")
    for declaration in declarations:
        require(NAME.fullmatch(declaration.name), f"the name {declaration.name!r} is not a lower-case word")
        _one_line(declaration.title, f"the title of {declaration.name!r}")
        settings = [setting.name for setting in declaration.settings]
        require(len(set(settings)) == len(settings), f"{declaration.name!r} declares a setting twice: {settings}")
        for setting in declaration.settings:
            require(NAME.fullmatch(setting.name), f"the setting {setting.name!r} is not a lower-case word")
            _one_line(setting.meaning, f"the meaning of setting {setting.name!r}")
            _one_line(setting.example, f"the example of setting {setting.name!r}")
        if isinstance(declaration, BoardDeclaration):
            require("\n" not in declaration.address_help, f"the address help of {declaration.name!r} is not one line")
        else:
            _check_suffixes(declaration)


def _all(case: PluginCase) -> list[BoardDeclaration | ReaderDeclaration]:
    return [*case.sound(BOARDS_HOOK), *case.sound(READERS_HOOK)]


def _one_line(text: str, what: str) -> None:
    require(isinstance(text, str) and text.strip() and "\n" not in text, f"{what} is {text!r}, not one line of text")


def _check_suffixes(reader: ReaderDeclaration) -> None:
    lengths = [len(suffix) for suffix in reader.suffixes]
    require(reader.suffixes and lengths == sorted(lengths, reverse=True),
            f"the suffixes of {reader.name!r} are not the longest first: {reader.suffixes}")
    for suffix in reader.suffixes:
        require(SUFFIX.fullmatch(suffix), f"the suffix {suffix!r} is not lower case with a dot in front")


@rule("discovers-in-time", "discovery comes back within its deadline, with boards whose addresses differ and whose "
                           "problems come with a fix")
def discovers_in_time(case: PluginCase) -> None:
    """Try it."""
    for board in case.boards():
        found, seconds = case.discover(board)
        require(seconds <= case.discover_s + SLACK_S, f"discovery of {board.name!r} took {seconds:.1f} s, its deadline "
                f"was {case.discover_s:g} s")
        for each in found:
            require(isinstance(each, BoardFound), f"discovery of {board.name!r} gave a {type(each).__name__}")
            _one_line(each.title, f"the title of the board at {each.address!r}")
            require(bool(each.problem) == bool(each.fix), f"the board at {each.address!r} has a problem without a fix, "
                    "or a fix without a problem")
        addresses = [each.address for each in found]
        require(len(set(addresses)) == len(addresses), f"two boards have the same address: {addresses}")


@rule("discovering-touches-nothing", "discovery opens no port: opening one restarts many a board")
def discovering_touches_nothing(case: PluginCase) -> None:
    """Try it."""
    for board in case.boards():
        with touched(loading=False) as notes:
            try:
                case.discover(board)
            except RuleBrokenError as error:
                raise NotTriedError(f"see the rule discovers-in-time: {error}") from error
        require(not notes, f"discovery of {board.name!r}: {'; '.join(notes)}")


class _Watched(dict[str, str]):
    """Settings that remember what they were asked for."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: set[str] = set()

    def __getitem__(self, key: str) -> str:
        self.asked.add(key)
        return super().__getitem__(key)

    def get(self, key: str, default: Any = None) -> Any:
        self.asked.add(key)
        return super().get(key, default)

    def __contains__(self, key: object) -> bool:
        self.asked.add(str(key))
        return super().__contains__(key)


@rule("settings-declared", "open looks for no setting that was not declared: nobody could give it, undeclared ones are "
                           "refused by name")
def settings_declared(case: PluginCase) -> None:
    """Try it."""
    declarations = _all(case)
    if not declarations:
        raise NotTriedError("it declares nothing")
    with tempfile.TemporaryDirectory() as folder:
        nothing = Path(folder) / "nothing"
        nothing.write_bytes(b"")
        for declaration in declarations:
            settings = _Watched()
            _refusal(partial(declaration.open, "", settings) if isinstance(declaration, BoardDeclaration)
                     else partial(declaration.open, nothing, settings), declaration.name)
            extra = sorted(settings.asked - {setting.name for setting in declaration.settings})
            require(not extra, f"{declaration.name!r} looks for settings it never declared: {', '.join(extra)}")


@rule("nobody-there", "an address that nobody has is refused with an AcquireError that says what to do")
def nobody_there(case: PluginCase) -> None:
    """Try it."""
    for board in case.boards():
        error = _refusal(partial(board.open, NOBODY, {}), board.name)
        require(error is not None, f"{board.name!r} opens an address that nobody has")
        _check_remedy(error)


@rule("no-such-file", "a file that is missing, empty or of another kind is refused with a FileFormatError")
def no_such_file(case: PluginCase) -> None:
    """Try it."""
    with tempfile.TemporaryDirectory() as folder:
        for name, content in (("missing", None), ("empty", b""), ("noise", bytes(range(256)) * 40)):
            path = Path(folder) / name
            if content is not None:
                path.write_bytes(content)
            for reader in case.readers():
                error = _refusal(partial(reader.open, path, {}), reader.name)
                require(isinstance(error, FileFormatError), f"{reader.name!r} on a file that is {name} says: {error}"
                        if error else f"{reader.name!r} opens a file that is {name}")
                _check_remedy(error)


@rule("recognises-calmly", "recognising a file by its first bytes says yes or no to any bytes, and no to none")
def recognises_calmly(case: PluginCase) -> None:
    """Try it."""
    for reader in case.readers():
        for head in (b"", b"\0", bytes(4096), bytes(range(256)) * 16, b"\xff\xfe", b"\x1f\x8b\x08", b"\xe9"):
            try:
                answer = reader.recognises(head)
            except Exception as error:
                raise RuleBrokenError(f"{reader.name!r} raised a {type(error).__name__} on {head[:8]!r}") from error
            require(isinstance(answer, bool), f"{reader.name!r} answered {answer!r}")
            require(head or not answer, f"{reader.name!r} recognises an empty file")


def _refusal(call: Callable[[], Source], name: str) -> AcquireError | None:
    """Return the error with which an open is refused, None when it is not refused."""
    try:
        source = call()
    except AcquireError as error:
        return error
    except Exception as error:
        raise RuleBrokenError(f"{name!r} raised a {type(error).__name__}, not an AcquireError: {error}") from error
    source.close()
    return None


def _check_remedy(error: AcquireError | None) -> None:
    require(error is None or (error.what.strip() and error.remedy.strip() and "\n" not in str(error)),
            f"the error does not say in one line what happened and what to do: {error}")


PLUGIN_RULES: tuple[Rule[PluginCase], ...] = (
    contract_number, hooks_declare, declaring_touches_nothing, well_declared, discovers_in_time,
    discovering_touches_nothing, settings_declared, nobody_there, no_such_file, recognises_calmly)


def run_plugin_contract(module: ModuleType, *, discover_s: float = 2.0, deadline_s: float = RULE_DEADLINE_S,
                        progress: Callable[[int, int, Rule[PluginCase]], None] | None = None) -> list[RuleOutcome]:
    """Return what came of every rule for plugins on this module; no board needs to be there.

    Parameters
    ----------
    module
        The one that the entry point names.
    discover_s
        Deadline given to discovery.
    deadline_s, progress
        As for `run_contract`.
    """
    return try_rules(PLUGIN_RULES, PluginCase(module, discover_s), deadline_s=deadline_s, progress=progress)
