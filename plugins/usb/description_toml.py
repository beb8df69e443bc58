"""Strict reading of a board's TOML description: every key typed and ranged, unknown keys refused, one sentence each."""

from __future__ import annotations

import difflib
import math
from typing import TYPE_CHECKING, Any

from crankfold.acquire import FileFormatError, parse_toml
from crankfold.analysis import quoted, shortened

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

MAX_FILE_BYTES = 100_000  # a description is a page of text; anything longer is another file given by mistake
MAX_NUMBER = 1e300  # numbers beyond it overflow as soon as they are scaled
_NOT_GIVEN: Any = object()


class Table:
    """One table of a description: `take_*` hands out its keys, `done` refuses what nobody took.

    Parameters
    ----------
    path
        The file, for messages.
    name
        Where the table stands in it: ``"device"`` or ``"channels[2]"``; empty for the top.
    values
        What the TOML reader found.
    """

    def __init__(self, path: Path, name: str, values: Mapping[str, Any]) -> None:
        self.path, self.name = path, name
        self._values = values
        self._known: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def peek(self, key: str) -> Any:
        """Return what `key` holds, unchecked and not taken, None when it is absent."""
        return self._values.get(key)

    def wrong(self, key: str, expected: str) -> FileFormatError:
        """Return the error that says what `key` holds and what it should hold."""
        found = f"is {quoted(self._values[key])}" if key in self._values else "is missing"
        return FileFormatError(self.path, f"{self._where(key)} {found}", f"give {expected}")

    def take_integer(self, key: str, low: int, high: int, default: Any = _NOT_GIVEN) -> Any:
        """Return an integer within `low` and `high`, or `default` when the key is absent."""
        return self._take(key, f"a whole number from {low} to {high}", default,
                          lambda v: isinstance(v, int) and not isinstance(v, bool) and low <= v <= high)

    def take_number(self, key: str, default: Any = _NOT_GIVEN, *, above: float = -math.inf) -> Any:
        """Return a finite number greater than `above` as float, or `default` when the key is absent."""
        expected = "a finite number" + (f" greater than {above:g}" if above > -math.inf else "")
        value = self._take(key, expected, default,
                           lambda v: _is_number(v) and v > above)
        return float(value) if isinstance(value, int) and key in self._values else value

    def take_text(self, key: str, default: Any = _NOT_GIVEN, *, empty: bool = False) -> Any:
        """Return a text, not empty unless `empty`, or `default` when the key is absent."""
        return self._take(key, "a text in quotes", default, lambda v: isinstance(v, str) and (empty or v.strip() != ""))

    def take_choice(self, key: str, choices: Sequence[str], default: Any = _NOT_GIVEN) -> Any:
        """Return one of `choices`, or `default` when the key is absent."""
        named = ", ".join(f'"{choice}"' for choice in choices)
        return self._take(key, f"one of {named}", default, lambda v: v in choices)

    def take_flag(self, key: str, default: bool) -> bool:
        """Return true or false, `default` when the key is absent."""
        return bool(self._take(key, "true or false", default, lambda v: isinstance(v, bool)))

    def take_texts(self, key: str, default: Any = _NOT_GIVEN) -> Any:
        """Return a tuple of texts, or `default` when the key is absent."""
        value = self._take(key, 'a list of texts such as ["*CLS"]', default,
                           lambda v: isinstance(v, list) and all(isinstance(item, str) and item.strip() for item in v))
        return tuple(value) if isinstance(value, list) else value

    def take_numbers(self, key: str, count: int, default: Any = _NOT_GIVEN) -> Any:
        """Return a tuple of `count` finite numbers, or `default` when the key is absent."""
        value = self._take(key, f"a list of {count} numbers", default,
                           lambda v: isinstance(v, list) and len(v) == count and all(map(_is_number, v)))
        return tuple(value) if isinstance(value, list) else value

    def take_table(self, key: str) -> Table | None:
        """Return the table under `key`, None when there is none."""
        value = self._take(key, f"a table, [{self._where(key)}]", None, lambda v: isinstance(v, dict))
        return None if value is None else Table(self.path, self._where(key), value)

    def need_table(self, key: str) -> Table:
        """Return the table under `key`, which has to be there."""
        table = self.take_table(key)
        if table is None:
            raise FileFormatError(self.path, f"the table [{self._where(key)}] is missing", "add it")
        return table

    def take_tables(self, key: str) -> tuple[Table, ...]:
        """Return the tables of the array ``[[key]]``, none when it is absent."""
        value = self._take(key, f"tables, each under [[{self._where(key)}]]", [],
                           lambda v: isinstance(v, list) and all(isinstance(item, dict) for item in v))
        return tuple(Table(self.path, f"{self._where(key)}[{number}]", item)
                     for number, item in enumerate(value, start=1))

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
                remedy = f"did you mean {near[0]!r}?" if near else f"known here are {', '.join(sorted(self._known))}"
                raise FileFormatError(self.path, f"{self._where(shortened(key))} is not a key of a description", remedy)

    def _where(self, key: str) -> str:
        return f"{self.name}.{key}" if self.name else key

    def _take(self, key: str, expected: str, default: Any, fits: Callable[[Any], bool]) -> Any:
        self._known.append(key)
        if key not in self._values and default is not _NOT_GIVEN:
            return default
        if key not in self._values or not fits(self._values[key]):
            raise self.wrong(key, expected)
        return self._values[key]


def _is_number(value: Any) -> bool:
    """Return whether `value` is an int or float that is finite as a float."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return abs(value) < MAX_NUMBER  # also False for NaN


def read_table(path: Path, format_name: str) -> Table:
    """Return the top table of a description.

    Parameters
    ----------
    path
        The TOML file.
    format_name
        What its key ``format`` has to say.

    Raises
    ------
    FileFormatError
        The file cannot be read, is not TOML, or describes another kind of board.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise FileFormatError(path, f"cannot be read ({error.strerror or error})",
                              "give the path of the board's TOML description") from error
    if len(raw) > MAX_FILE_BYTES:
        raise FileFormatError(path, f"is longer than {MAX_FILE_BYTES} bytes", "give the board's TOML description")
    try:
        values = parse_toml(raw)
    except UnicodeDecodeError as error:
        raise FileFormatError(path, f"byte {error.start} is not UTF-8", "save the file as UTF-8 text") from error
    except (ValueError, RecursionError) as error:
        raise FileFormatError(path, f"is not TOML ({error})", "correct that line") from error
    top = Table(path, "", values)
    top.take_choice("format", [format_name])
    return top
