"""Messages of the rooms below and of the argument parser in the language in use.

Errors are raised in English, where they happen, so that a plugin is read without a second file.
``errors.LANGUAGE.toml`` has each message once, with braces for its values; what is raised is matched against them, and
its values go into the other sentence. A message that is in no catalogue, as of a plugin from elsewhere, stays as it is.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from crankfold.viewer.words.catalogue import language

BRACES = re.compile(r"\{(\w+)\}")
CLAUSES, PLACE = "; ", ": "
"""Between what happened and what to do; between where it happened and what."""
ARGUMENTS = "arguments"
"""The section of what the argument parser says; all others are what the rooms below raise, and what plugins offer."""


@dataclass(frozen=True)
class Message:
    """One message: its literal parts, the longest first, the pattern of its values, and the sentence they go into."""

    parts: tuple[str, ...]
    pattern: re.Pattern[str]
    text: str

    @classmethod
    def of(cls, english: str, text: str) -> Message:
        """Return the message of a line of the catalogue."""
        pieces = BRACES.split(english)
        found = "".join(f"(?P<{piece}>.*?)" if k % 2 else re.escape(piece) for k, piece in enumerate(pieces))
        return cls(tuple(sorted(filter(None, pieces[::2]), key=len, reverse=True)), re.compile(found, re.DOTALL), text)

    def filled(self, values: Mapping[str, str]) -> str:
        """Return the sentence with these values in it."""
        return BRACES.sub(lambda brace: values.get(brace[1], brace[0]), self.text)

    @property
    def size(self) -> int:
        """Letters that are not values: of two messages that fit, the longer one is meant."""
        return sum(map(len, self.parts))


class Catalogue:
    """Messages, the longest first, and what a text says when they are put in place of it."""

    def __init__(self, lines: Mapping[str, str]) -> None:
        found = [Message.of(english, own) for english, own in lines.items()]
        self._messages = tuple(sorted(found, key=lambda message: -message.size))

    def worded(self, text: str) -> str:
        """Return a message, clause by clause where it is not known as a whole, and as it is where nothing is."""
        known = self.known(text)
        if known is not None or CLAUSES not in text:
            return text if known is None else known
        return CLAUSES.join(map(self.worded, text.split(CLAUSES)))

    def known(self, text: str) -> str | None:
        """Return a message, None where a part of it is not in the catalogue."""
        for way in (self._whole, self._in_two, self._nested, self._after_place):
            found = way(text)
            if found is not None:
                return found
        return None

    def _whole(self, text: str, *, nested: bool = False) -> str | None:
        """Return it as one line of the catalogue; its values may hold clauses of their own only if `nested`."""
        for message in self._messages:
            if message.parts[0] not in text or not all(part in text for part in message.parts):
                continue
            match = message.pattern.fullmatch(text)
            if match and (nested or not any(CLAUSES in value for value in match.groups())):
                return message.filled({name: self._value(value) for name, value in match.groupdict().items()})
        return None

    def _nested(self, text: str) -> str | None:
        return self._whole(text, nested=True) if CLAUSES in text else None

    def _value(self, text: str) -> str:
        """Return a value, which may be a message itself."""
        known = self.known(text) if " " in text else self._whole(text)
        return text if known is None else known

    def _in_two(self, text: str) -> str | None:
        """Return it as two messages with a semicolon between them."""
        clauses = text.split(CLAUSES)
        for at in range(len(clauses) - 1, 0, -1):
            first = self.known(CLAUSES.join(clauses[:at]))
            rest = self.known(CLAUSES.join(clauses[at:])) if first is not None else None
            if first is not None and rest is not None:
                return f"{first}{CLAUSES}{rest}"
        return None

    def _after_place(self, text: str) -> str | None:
        """Return it as a message after the name of a file, or whatever else it is about."""
        pieces = text.split(PLACE)
        for at in range(1, len(pieces)):
            rest = self._whole(PLACE.join(pieces[at:]))
            if rest is not None:
                return f"{self._value(PLACE.join(pieces[:at]))}{PLACE}{rest}"
        return None


def messages_of_file(language: str) -> dict[str, dict[str, str]]:
    """Return the sections of a language's catalogue: for each English message the sentence in its place."""
    text = (resources.files("crankfold.viewer") / f"errors.{language}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def catalogue(language: str, *, arguments: bool = False) -> Catalogue:
    """Return what the rooms below say in a language, or what the argument parser says."""
    sections = messages_of_file(language).items()
    chosen: Iterable[Mapping[str, str]] = (lines for name, lines in sections if (name == ARGUMENTS) == arguments)
    return Catalogue({english: own for lines in chosen for english, own in lines.items()})


def worded(message: object) -> str:
    """Return an error, or another text of the rooms below, in the language in use; as it is where nobody worded it."""
    return catalogue(language()).worded(str(message))


def worded_usage(text: str) -> str:
    """Return what the argument parser says of a command line in our words, in the language in use."""
    return catalogue(language(), arguments=True).worded(text)
