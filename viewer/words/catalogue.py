"""Every sentence and label that people see, by key, from the one file ``wording.en.toml``."""

from __future__ import annotations

import string
import tomllib
from functools import cache
from importlib import resources
from typing import Any

from crankfold.viewer.words.numbers import written

LANGUAGE = "en"


@cache
def sentences() -> dict[str, str]:
    """Return all sentences by their dotted key."""
    text = (resources.files("crankfold.viewer") / f"wording.{LANGUAGE}.toml").read_text(encoding="utf-8")
    return dict(_flat("", tomllib.loads(text)))


def _flat(prefix: str, table: dict[str, Any]) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for key, value in table.items():
        name = f"{prefix}{key}"
        found += _flat(f"{name}.", value) if isinstance(value, dict) else [(name, " ".join(str(value).split()))]
    return found


def language() -> str:
    """Return the language of what is said, as its code in ISO 639-1."""
    return LANGUAGE


def sentences_of(section: str) -> dict[str, str]:
    """Return the sentences of a section by the last part of their keys, for a page that fills them in itself."""
    return {key.removeprefix(f"{section}."): text for key, text in sentences().items() if key.startswith(f"{section}.")}


def say(key: str, **facts: object) -> str:
    """Return the sentence of a key with its facts put in, numbers written as people read them.

    Raises
    ------
    KeyError
        There is no such sentence, or a fact it needs is missing.
    """
    return sentences()[key].format(**{name: written(name, value) for name, value in facts.items()})


def say_count(key: str, count: int, **facts: object) -> str:
    """Return the sentence ``KEY.one`` or ``KEY.many``, with `count` among its facts."""
    return say(f"{key}.{'one' if count == 1 else 'many'}", count=count, **facts)


def has(key: str) -> bool:
    """Return whether there is a sentence of that key."""
    return key in sentences()


def placeholders(key: str) -> set[str]:
    """Return the names of the facts that a sentence needs."""
    return {name for _, name, _, _ in string.Formatter().parse(sentences()[key]) if name is not None}
