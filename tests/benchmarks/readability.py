"""How easily the wording reads: Flesch's reading ease of help and of what a sheet can say, of one wording file or more.

206.835 - 1.015 words a sentence - 84.6 syllables a word (R. Flesch, A new readability yardstick, Journal of Applied
Psychology 32, 1948); 60 to 70 is plain English, 30 to 50 difficult. Syllables are runs of vowels without a silent e at
the end. Facts in braces count as a word of one syllable; commands, options and examples to type don't count.

    python tests/benchmarks/readability.py viewer/wording.en.toml
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PARTS = {"help": ("help", "option"),
         "sheet": ("owner", "sheet", "found", "sure", "next", "test", "blind", "reason", "caution", "note")}
"""Sections of the wording file behind each."""
TYPED = re.compile(r"--?[a-z]\S*|crankfold [a-z]+|\S*[=:/|]\S+|\S*\.[a-z0-9]+\b|\b\d[\d.]*\b|[A-Z]{3,}\b")
"""What is there to be typed or looked up, not read."""
WORD = re.compile(r"[A-Za-z]+(?:'[a-z]+)?")
LEAST_WORDS = 3  # of a sentence; shorter ones are headings and cells


def texts(table: Any) -> Iterator[str]:
    """Yield all texts in a table, however deep."""
    for value in table.values() if isinstance(table, dict) else ():
        if isinstance(value, str):
            yield value
        else:
            yield from texts(value)


def sentences(text: str) -> Iterator[list[str]]:
    """Yield the words of each sentence of a text."""
    plain = TYPED.sub(" ", re.sub(r"\{\w+\}", "it", text))
    for sentence in re.split(r"[.?!]+(?:\s|$)", plain):
        words = WORD.findall(sentence)
        if len(words) >= LEAST_WORDS:
            yield words


def syllables(word: str) -> int:
    """Return about how many syllables a word has."""
    plain = re.sub(r"[^a-z]", "", word.lower())
    runs = len(re.findall(r"[aeiouy]+", plain))
    silent = plain.endswith("e") and not plain.endswith("le") and runs > 1
    return max(1, runs - silent)


def reading_ease(found: list[list[str]]) -> tuple[float, float, float]:
    """Return Flesch's figure, words a sentence and syllables a word."""
    words = [word for sentence in found for word in sentence]
    long, heavy = len(words) / len(found), sum(map(syllables, words)) / len(words)
    return 206.835 - 1.015 * long - 84.6 * heavy, long, heavy


def main() -> None:
    """Print the figures of each file that is named."""
    for name in sys.argv[1:]:
        wording = tomllib.loads(Path(name).read_text(encoding="utf-8"))
        for part, sections in PARTS.items():
            found = [words for section in sections for text in texts(wording.get(section, {}))
                     for words in sentences(text)]
            ease, long, heavy = reading_ease(found)
            print(f"{name}, {part}: {ease:.1f} ({long:.1f} words a sentence, {heavy:.2f} syllables a word, "
                  f"{len(found)} sentences)")


if __name__ == "__main__":
    main()
