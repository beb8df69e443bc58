"""The one strict reader of TOML files: rigs, engine cards, descriptions of boards.

Every key has a kind and, where it matters, a range; keys nobody knows are refused with the nearest that is known. Each
mistake is one sentence with the file, the line, the key, what it holds and what it may hold.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from crankfold.acquire.errors import FileFormatError
from crankfold.analysis import quoted

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from pathlib import Path


MOST_DOTS = 500
"""In one line. The time to read a key grows with the square of its dots; no key of ours has more than two."""

MOST_DIGITS = 400
"""Of a number. Python reads hexadecimal ones of any length, and then refuses to print them."""

MAX_FILE_BYTES = 100_000  # such a file is a page of text; anything longer is another file given by mistake
MAX_NUMBER = 1e300  # numbers beyond it overflow as soon as they are scaled
MAX_WHOLE = 2**53  # whole numbers beyond it are no longer exact as floats
_NOT_GIVEN: Any = object()
_HEADER = re.compile(r"\s*(\[\[?)\s*([\w.-]+)\s*\]")


def parse_toml(content: bytes) -> dict[str, Any]:
    """Return what the bytes of a TOML file say.

    Raises
    ------
    UnicodeDecodeError
        They are not UTF-8.
    ValueError, RecursionError
        They are not TOML, or something that only somebody who means harm would write.
    """
    text = content.decode("utf-8-sig")
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > MOST_DOTS:
            raise ValueError(f"line {number} has more than {MOST_DOTS} dots")
        if re.search(rf"[0-9A-Fa-f_]{{{MOST_DIGITS}}}", line):
            raise ValueError(f"line {number} has a number of {MOST_DIGITS} digits or more")
    return tomllib.loads(text)


def read_toml(path: Path, form: str = "") -> TomlTable:
    """Return the top table of a file, whose key ``format`` has to say `form` where there is one.

    Raises
    ------
    FileFormatError
        There is no such file, or it cannot be read, is far too long, is not TOML, or is of another format.
    """
    top = _read(path)
    if form:
        top.take_choice("format", [form])
    return top


def _read(path: Path) -> TomlTable:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
        if len(content) > MAX_FILE_BYTES:
            raise FileFormatError(path, "it is far too long for such a file", "check that it is the right one")
        return TomlTable(path, "", parse_toml(content), content.decode("utf-8-sig"))
    except FileNotFoundError as error:
        raise FileFormatError(path, "there is no such file", "check the name and the folder") from error
    except OSError as error:
        raise FileFormatError(path, f"it cannot be read ({error.strerror or error})", "check the file") from error
    except UnicodeDecodeError as error:
        raise FileFormatError(path, f"this is not valid TOML (byte {error.start} is not UTF-8)",
                              "save it as plain text, UTF-8") from error
    except RecursionError as error:
        raise FileFormatError(path, "this is not valid TOML (it is nested too deeply)", "correct it there") from error
    except ValueError as error:
        raise FileFormatError(path, f"this is not valid TOML ({error})", "correct it there") from error


@dataclass(frozen=True)
class Kind:
    """What a value may be: how a person calls it, an example, and a test that returns it converted or raises."""

    called: str
    example: str
    convert: Callable[[Any], Any]


def _fits(holds: bool, value: Any) -> Any:
    if not holds:
        raise TypeError
    return value


def _number(value: Any) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(_fits(number and abs(value) < MAX_NUMBER, value))  # not-a-number is below nothing


def _whole(value: Any) -> int:
    return int(_fits(isinstance(value, int) and not isinstance(value, bool) and abs(value) <= MAX_WHOLE, value))


def _texts(value: Any) -> tuple[str, ...]:
    return tuple(_fits(isinstance(value, list) and all(isinstance(item, str) for item in value), value))


def _settings(value: Any) -> dict[str, str]:
    """Return a table of texts; numbers and truth values are taken as they would be written."""
    _fits(isinstance(value, dict) and all(isinstance(item, str | int | float) for item in value.values()), value)
    plain = {True: "true", False: "false"}
    return {key: plain[item] if isinstance(item, bool) else str(item) for key, item in value.items()}


KINDS = {
    "str": Kind("a text", '"..."', lambda v: _fits(isinstance(v, str), v)),
    "bool": Kind("true or false", "true", lambda v: _fits(isinstance(v, bool), v)),
    "int": Kind("a whole number", "4", _whole),
    "float": Kind("a number", "1.5", _number),
    "tuple": Kind("a list of texts", '["current", "sync"]', _texts),
    "dict": Kind("a table of texts", '{ baud = "250000" }', _settings),
}


def kind_of(annotation: Any) -> str:
    """Return the key of `KINDS` for a dataclass field's annotation."""
    return str(annotation).partition("[")[0]


class TomlTable:
    """One table of a file: `take` and its kin hand out its keys, `done` refuses what nobody took.

    Parameters
    ----------
    path
        The file, for messages.
    name
        Where the table stands in it: ``"device"`` or ``"channels[2]"``; empty for the top.
    values
        What the TOML reader found.
    text
        Of the whole file, in which the line of a mistake is looked for.
    """

    def __init__(self, path: Path, name: str, values: Mapping[str, Any], text: str = "") -> None:
        self.path, self.name = path, name
        self._values, self._text = values, text
        self._known: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def peek(self, key: str) -> Any:
        """Return what `key` holds, unchecked and not taken, None when it is absent."""
        return self._values.get(key)

    def wrong(self, key: str, expected: str, remedy: str = "correct it") -> FileFormatError:
        """Return the error that says what `key` holds, or that it is missing, and what it should hold."""
        if key in self._values:
            return self._error(key, f"holds {quoted(self._values[key])}, expected {expected}", remedy)
        return self._error(key, f"is missing, expected {expected}", f"add a line like {key} = ...")

    def take(self, key: str, kind: Kind, default: Any = _NOT_GIVEN) -> Any:
        """Return what `key` holds, converted, or `default` when it is absent.

        Raises
        ------
        FileFormatError
            It is of another kind, or absent without a default.
        """
        self._known.append(key)
        if key not in self._values:
            if default is not _NOT_GIVEN:
                return default
            if kind.example:
                raise self._error(key, "is missing", f"add a line like {key} = {kind.example}")
            raise self.wrong(key, kind.called)
        try:
            return kind.convert(self._values[key])
        except (TypeError, OverflowError) as error:
            like = f"write it like {key} = {kind.example}" if kind.example else "correct it"
            raise self.wrong(key, kind.called, like) from error

    def take_all(self, kinds: Mapping[str, Kind], required: Collection[str]) -> dict[str, Any]:
        """Return all that the table holds, each of its kind.

        Raises
        ------
        FileFormatError
            A key is unknown or missing, or its value of the wrong kind.
        """
        self._known += kinds
        self.done()
        for key in (key for key in required if key not in self._values):
            self.take(key, kinds[key])
        return {key: self.take(key, kinds[key]) for key in self._values}

    def take_integer(self, key: str, low: int, high: int, default: Any = _NOT_GIVEN) -> Any:
        """Return an integer within `low` and `high`, or `default` when the key is absent."""
        return self.take(key, Kind(f"a whole number from {low} to {high}", "",
                                   lambda v: _fits(low <= _whole(v) <= high, v)), default)

    def take_number(self, key: str, default: Any = _NOT_GIVEN, *, above: float = -math.inf) -> Any:
        """Return a finite number greater than `above` as float, or `default` when the key is absent."""
        called = "a finite number" + (f" greater than {above:g}" if above > -math.inf else "")
        return self.take(key, Kind(called, "", lambda v: _fits(_number(v) > above, float(v))), default)

    def take_text(self, key: str, default: Any = _NOT_GIVEN, *, empty: bool = False) -> Any:
        """Return a text, not empty unless `empty`, or `default` when the key is absent."""
        return self.take(key, Kind("a text in quotes", "",
                                   lambda v: _fits(isinstance(v, str) and (empty or v.strip() != ""), v)), default)

    def take_choice(self, key: str, choices: Sequence[str], default: Any = _NOT_GIVEN) -> Any:
        """Return one of `choices`, or `default` when the key is absent."""
        named = ", ".join(f'"{choice}"' for choice in choices)
        return self.take(key, Kind(f"one of {named}", "", lambda v: _fits(v in choices, v)), default)

    def take_flag(self, key: str, default: bool) -> bool:
        """Return true or false, `default` when the key is absent."""
        return bool(self.take(key, KINDS["bool"], default))

    def take_texts(self, key: str, default: Any = _NOT_GIVEN) -> Any:
        """Return a tuple of texts, none of them empty, or `default` when the key is absent."""
        return self.take(key, Kind('a list of texts such as ["*CLS"]', "",
                                   lambda v: _fits(all(item.strip() for item in _texts(v)), tuple(v))), default)

    def take_numbers(self, key: str, count: int, default: Any = _NOT_GIVEN) -> Any:
        """Return a tuple of `count` finite numbers, or `default` when the key is absent."""
        return self.take(key, Kind(f"a list of {count} numbers", "", lambda v: tuple(map(_number, _fits(
            isinstance(v, list) and len(v) == count, v)))), default)

    def take_table(self, key: str) -> TomlTable | None:
        """Return the table under `key`, None when there is none."""
        kind = Kind(f"a table, [{self._where(key)}]", "", lambda v: _fits(isinstance(v, dict), v))
        value = self.take(key, kind, None)
        return None if value is None else TomlTable(self.path, self._where(key), value, self._text)

    def need_table(self, key: str) -> TomlTable:
        """Return the table under `key`, which has to be there."""
        table = self.take_table(key)
        if table is None:
            raise FileFormatError(self.path, f"the table [{self._where(key)}] is missing", "add it")
        return table

    def take_tables(self, key: str) -> tuple[TomlTable, ...]:
        """Return the tables of the array ``[[key]]``, none when it is absent."""
        found = self.take(key, Kind(f"tables, each under [[{self._where(key)}]]", "", lambda v: _fits(
            isinstance(v, list) and all(isinstance(item, dict) for item in v), v)), [])
        return tuple(TomlTable(self.path, f"{self._where(key)}[{number}]", item, self._text)
                     for number, item in enumerate(found, start=1))

    def done(self) -> None:
        """Refuse keys that nobody took.

        Raises
        ------
        FileFormatError
            There is one; the nearest known key is suggested.
        """
        for key in self._values:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, 1)
                known = ", ".join(dict.fromkeys(self._known))
                raise self._error(key, "is unknown", f"did you mean {near[0]!r}?" if near else f"it may hold {known}")

    def _where(self, key: str) -> str:
        return f"{self.name}.{key}" if self.name else key

    def _error(self, key: str, problem: str, remedy: str) -> FileFormatError:
        return FileFormatError(self.path, f"the key {self._where(key[:60])!r} {problem}", remedy,
                               line=_line(self._text, self.name, key))


def _line(text: str, table: str, key: str) -> int | None:
    """Return the line on which a key of a table stands, or the inline table it is in; None if neither is found."""
    count: Counter[str] = Counter()
    here = ""
    for number, line in enumerate(text.split("\n"), 1):
        if head := _HEADER.match(line):
            here = head[2]
            if head[1] == "[[":
                count[here] += 1
                here += f"[{count[here]}]"
        elif here == table and line.partition("=")[0].strip().strip("\"'") == key and "=" in line:
            return number
    before, _, last = table.rpartition(".")
    return _line(text, before, last) if last and here != table else None
