"""Every sentence and label that people see, by key, from the one wording file of the user's language."""

from __future__ import annotations

import os
import string
import tomllib
from functools import cache
from importlib import resources
from typing import Any

from crankfold.viewer.words.numbers import written

LANGUAGES = ("en", "de")
"""Languages that there is a wording file of; the first is the one that the others are translated from."""
LANGUAGE_VARIABLE = "CRANKFOLD_LANGUAGE"
LOCALE_VARIABLES = ("LC_ALL", "LC_MESSAGES", "LANG")

_chosen: list[str | None] = [None]


def speak(language: str | None) -> None:
    """Say everything in this language from now on; None: as the user's environment says.

    Raises
    ------
    ValueError
        There is no wording file of it.
    """
    if language is not None and language not in LANGUAGES:
        raise ValueError(language)
    _chosen[0] = language


def chosen_language() -> str | None:
    """Return the language that was asked for by name, None where only the locale tells."""
    named = _chosen[0] or os.environ.get(LANGUAGE_VARIABLE, "").strip().lower()
    return named if named in LANGUAGES else None


def language() -> str:
    """Return the language that everything is said in: as asked for, else as the locale says, else English."""
    told = chosen_language()
    if told is not None:
        return told
    named = next((os.environ[name] for name in LOCALE_VARIABLES if os.environ.get(name)), "")
    short = named.partition(".")[0].partition("_")[0].lower()
    return short if short in LANGUAGES else LANGUAGES[0]


@cache
def sentences_in(language: str) -> dict[str, str]:
    """Return all sentences of a language by their dotted key; one that is not translated yet is the English one."""
    own = sentences_of_file(language)
    return own if language == LANGUAGES[0] else {**sentences_in(LANGUAGES[0]), **own}


def sentences_of_file(language: str) -> dict[str, str]:
    """Return what the wording file of a language holds, by dotted key."""
    text = (resources.files("crankfold.viewer") / f"wording.{language}.toml").read_text(encoding="utf-8")
    return dict(_flat("", tomllib.loads(text)))


def sentences() -> dict[str, str]:
    """Return all sentences of the language in use by their dotted key."""
    return sentences_in(language())


def _flat(prefix: str, table: dict[str, Any]) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for key, value in table.items():
        name = f"{prefix}{key}"
        found += _flat(f"{name}.", value) if isinstance(value, dict) else [(name, " ".join(str(value).split()))]
    return found


def sentences_of(section: str) -> dict[str, str]:
    """Return the sentences of a section by the last part of their keys, for a page that fills them in itself."""
    return {key.removeprefix(f"{section}."): text for key, text in sentences().items() if key.startswith(f"{section}.")}


def say(key: str, /, **facts: object) -> str:
    """Return the sentence of a key with its facts put in, numbers written as people read them.

    Raises
    ------
    KeyError
        There is no such sentence, or a fact it needs is missing.
    """
    return sentences()[key].format(**{name: written(name, value) for name, value in facts.items()})


def say_count(key: str, count: int, **facts: object) -> str:
    """Return the sentence ``KEY.one`` or ``KEY.many``, with `count` among its facts."""
    return say(f"{key}.{'one' if count == 1 else 'many'}", count=count, **facts)  # so in all languages there are


def has(key: str) -> bool:
    """Return whether there is a sentence of that key."""
    return key in sentences()


def placeholders(key: str) -> set[str]:
    """Return the names of the facts that a sentence needs."""
    return {name for _, name, _, _ in string.Formatter().parse(sentences()[key]) if name is not None}
