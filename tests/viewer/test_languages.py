"""Each language is whole: no key missing, no brace lost, and numbers, lists and plurals as it has them."""

from __future__ import annotations

import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

from crankfold.acquire import BoardNotFoundError
from crankfold.viewer.session.problem import clauses
from crankfold.viewer.words import LANGUAGES, decimal_points, language, plain, say, say_count, speak, tame
from crankfold.viewer.words.catalogue import sentences_of_file

ORDER = "1-3-4-2"
OTHERS = LANGUAGES[1:]
SAME_ALLOWED = re.compile(r"[\W\d_]*|crankfold.*", re.DOTALL)
MOST_ALIKE = 0.06  # of the sentences: units, names of options and words that both languages have


@pytest.fixture(autouse=True)
def english_again(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for name in ("LC_ALL", "LC_MESSAGES", "LANG", "CRANKFOLD_LANGUAGE"):
        monkeypatch.delenv(name, raising=False)
    yield
    speak(None)


def braces(text: str) -> list[str]:
    return sorted({name for _, name, _, _ in string.Formatter().parse(text) if name is not None})


@pytest.mark.parametrize("other", OTHERS)
def test_no_key_is_missing_and_none_is_left_over(other: str) -> None:
    assert set(sentences_of_file(other)) == set(sentences_of_file(LANGUAGES[0]))


@pytest.mark.parametrize("other", OTHERS)
def test_no_brace_is_lost(other: str) -> None:
    english = sentences_of_file(LANGUAGES[0])
    wrong = {key: text for key, text in sentences_of_file(other).items() if braces(text) != braces(english[key])}
    assert not wrong


@pytest.mark.parametrize("other", OTHERS)
def test_it_is_translated(other: str) -> None:
    english, own = sentences_of_file(LANGUAGES[0]), sentences_of_file(other)
    alike = [key for key in own if own[key] == english[key]
             and not SAME_ALLOWED.fullmatch(re.sub(r"\{\w+\}", "", own[key]))]
    assert len(alike) < MOST_ALIKE * len(own), alike


@pytest.mark.parametrize("name", LANGUAGES)
def test_sentences_are_plain_and_headlines_short(name: str) -> None:
    for key, text in sentences_of_file(name).items():
        assert tame(text) == text, key
        assert "!" not in text, key
        if key.startswith("headline."):
            assert text.endswith("."), key
            assert len(re.sub(r"\{\w+\}", "10", text)) <= 50, key


def test_numbers_lists_and_plurals_follow_the_language() -> None:
    speak("de")
    assert (plain(3.25, 2), say("list.last", rest="1, 2", last="3")) == ("3,25", "1, 2 und 3")
    assert say_count("summary", 1) == "Ein Anlassversuch ausgewertet:"
    assert say_count("summary", 2) == "2 Anlassversuche ausgewertet:"
    with decimal_points():
        assert plain(3.25, 2) == "3.25"
    speak("en")
    assert plain(3.25, 2) == "3.25"


@pytest.mark.parametrize(("variable", "value", "chosen"), [
    ("LANG", "de_DE.UTF-8", "de"), ("LC_ALL", "de_AT", "de"), ("LANG", "en_GB.UTF-8", "en"), ("LANG", "C.UTF-8", "en"),
    ("LANG", "fr_FR.UTF-8", "en"), ("CRANKFOLD_LANGUAGE", "de", "de"), ("CRANKFOLD_LANGUAGE", "xx", "en")])
def test_the_environment_chooses(variable: str, value: str, chosen: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(variable, value)
    assert language() == chosen


def test_no_other_language_is_taken() -> None:
    with pytest.raises(ValueError, match="xx"):
        speak("xx")


def test_the_option_goes_before_the_environment(crankfold, dead_csv: Path) -> None:
    crankfold.environment["LANG"] = "en_GB.UTF-8"
    done = crankfold("--language", "de", "analyse", dead_csv, "--firing-order", ORDER, "--sync", "waste-spark:1",
                     "--json", "out.json", "--picture", "out.svg")
    assert done.returncode == 0, done.stderr
    assert "Zylinder 3 hat keine Kompression." in done.stdout
    assert "Druckverlusttest an Zylinder 3" in done.stdout
    assert not re.search(r"\b(cylinder|the|compression)\b", done.stdout)
    assert "Streifen: Anlasserstrom" in (crankfold.folder / "out.svg").read_text(encoding="utf-8")
    sheet = crankfold("--language", "de", "sheet", dead_csv, "--firing-order", ORDER, "--out", "page.html")
    assert sheet.returncode == 0
    assert '<html lang="de">' in (crankfold.folder / "page.html").read_text(encoding="utf-8")


def test_help_is_in_the_language(crankfold) -> None:
    done = crankfold("--language", "de", "analyse", "--help")
    assert "Cylinder" not in done.stdout
    assert "Zylindernummern in Zündfolge." in done.stdout
    crankfold.environment["LC_ALL"] = "de_DE.UTF-8"
    assert "Einen Motor messen:" in crankfold("--help").stdout


def test_an_error_of_a_board_is_worded_for_the_window() -> None:
    speak("de")
    error = BoardNotFoundError("there is no serial port /dev/ttyUSB7", "plug the board in")
    assert clauses(error) == ("einen seriellen Anschluss /dev/ttyUSB7 gibt es nicht", "die Messkarte anstecken")
