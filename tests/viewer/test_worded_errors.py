"""What our own code and the argument parser can say has words in every language, and loses nothing on the way.

The messages that our code can raise are read from its source: literal text, with ``{}`` for what is put in.
"""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from pathlib import Path
from string import ascii_uppercase
from typing import Any

import click.core
import click.parser
import click.types
import pytest

import crankfold.acquire
import crankfold.analysis
import crankfold.plugins
from crankfold.acquire import FileFormatError, load_plugins
from crankfold.viewer.words import LANGUAGES, speak, worded, worded_usage
from crankfold.viewer.words.errors import ARGUMENTS, BRACES, CLAUSES, catalogue, messages_of_file

HOLE = "{}"
ROOMS = tuple(Path(str(room.__path__[0])) for room in (crankfold.analysis, crankfold.acquire, crankfold.plugins))
NOT_SHOWN = {"NoCrankingError", "_NoNameError", "RuleBrokenError", "NotTriedError"}
"""Errors that are caught and told in other words, and what the rules between plugins and program say to a developer."""
MOST_WAYS = 64  # in which one expression may come out; more would be a list of words, not a message
LEAST_LETTERS = 3  # of a message; shorter ones are punctuation
OTHERS = LANGUAGES[1:]
KEY = re.compile(r"[a-z_-]+|the key (\{\}\.)?\{\} \{\}")
"""What keys and codes look like, and the frame that everything wrong with the value of a key stands in."""
NEVER_SEEN = re.compile(r"file|directory|path|Choose from|UUID|format|Value must be|deprecated|Options|Commands|"
                        r"Positional|defined twice|cannot use the|Could not determine|No options defined|env var|"
                        r"default:|dynamic|exactly one|Aborted|len_type|Takes|Choice\(|start character")
"""The parser's messages that no command of ours can call forth: kinds of values and of options that none has."""
LEAST_RAISED = 500  # so that a reader of sources that has gone blind is noticed


@dataclass
class Module:
    """A source file: its functions and the texts that its names stand for."""

    path: Path
    tree: ast.Module
    functions: dict[str, ast.FunctionDef] = field(default_factory=dict)
    names: dict[str, ast.expr] = field(default_factory=dict)

    @classmethod
    def read(cls, path: Path) -> Module:
        """Return a file, parsed."""
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = {node.name: node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        return cls(path, tree, functions, dict(_assigned(tree.body)))


def _assigned(nodes: Iterable[ast.AST]) -> Iterator[tuple[str, ast.expr]]:
    for node in nodes:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            yield node.targets[0].id, node.value
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
            yield node.target.id, node.value


@cache
def modules() -> tuple[Module, ...]:
    """Return all source files of the rooms below the viewer."""
    return tuple(Module.read(path) for room in ROOMS for path in sorted(room.rglob("*.py")))


def called(node: ast.expr) -> str:
    """Return the last part of the name of what is called."""
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


@cache
def makers() -> frozenset[str]:
    """Return the names of our error classes, and of functions that make one from words handed to them."""
    classes = {node.name for module in modules() for node in ast.walk(module.tree)
               if isinstance(node, ast.ClassDef) and node.name.endswith("Error")} - NOT_SHOWN
    functions = [f for module in modules() for f in module.functions.values()]
    found: set[str] = set()
    while True:
        more = {f.name for f in functions if f.name not in found | NOT_SHOWN and _makes_error(f, classes | found)}
        if not more:
            return frozenset(classes | found)
        found |= more


def _makes_error(function: ast.FunctionDef, known: set[str]) -> bool:
    returns = ast.unparse(function.returns) if function.returns else ""
    return (returns.endswith("Error") or returns == "NoReturn") and any(
        isinstance(node, ast.Call) and called(node.func) in known for node in ast.walk(function))


class Reader:
    """Reads the texts that an expression in a function of a module can come out as."""

    def __init__(self, module: Module, function: ast.FunctionDef | None) -> None:
        self.module = module
        self.local: dict[str, list[ast.expr]] = {}
        for name, value in _assigned(ast.walk(function)) if function else ():
            self.local.setdefault(name, []).append(value)

    def texts(self, node: ast.expr | None, *, whole: bool = True, depth: int = 0) -> list[str]:
        """Return them; where nothing is known, nothing as a `whole` message and a hole within one."""
        unknown = [] if whole else [HOLE]
        if node is None or depth > 4:
            return unknown
        if isinstance(node, ast.Constant):
            return [node.value] if isinstance(node.value, str) else unknown
        if isinstance(node, ast.JoinedStr):
            return self._joined([v.value if isinstance(v, ast.FormattedValue) else v for v in node.values], depth)
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            return self._joined([node.left, node.right], depth)
        if isinstance(node, ast.IfExp):
            return [t for side in (node.body, node.orelse) for t in self.texts(side, whole=whole, depth=depth)]
        if isinstance(node, ast.BoolOp):
            return [t for side in node.values for t in self.texts(side, whole=whole, depth=depth)]
        if isinstance(node, ast.Name):
            return self._named(node.id, whole, depth) or unknown
        if isinstance(node, ast.Call):
            return self._returned(node, whole, depth) or unknown
        return unknown

    def _joined(self, parts: list[ast.expr], depth: int) -> list[str]:
        ways = [self.texts(part, whole=False, depth=depth + 1) for part in parts]
        count = 1
        for way in ways:
            count *= len(way)
        if count > MOST_WAYS:
            ways = [way if len(way) == 1 else [HOLE] for way in ways]
        return ["".join(way) for way in product(*ways)]

    def _named(self, name: str, whole: bool, depth: int) -> list[str]:
        values = self.local.get(name) or ([self.module.names[name]] if name in self.module.names else [])
        return [t for value in values for t in self.texts(value, whole=whole, depth=depth + 1)]

    def _returned(self, node: ast.Call, whole: bool, depth: int) -> list[str]:
        function = self.module.functions.get(called(node.func))
        if function is None or not function.returns or ast.unparse(function.returns) != "str":
            return []
        reader = Reader(self.module, function)
        return [t for part in ast.walk(function) if isinstance(part, ast.Return)
                for t in reader.texts(part.value, whole=whole, depth=depth + 1)]


def _within(tree: ast.AST, function: ast.FunctionDef | None) -> Iterator[tuple[ast.FunctionDef | None, ast.Call]]:
    for node in ast.iter_child_nodes(tree):
        inner = node if isinstance(node, ast.FunctionDef) else function
        if isinstance(node, ast.Call):
            yield inner, node
        yield from _within(node, inner)


def raised_messages() -> dict[str, str]:
    """Return every message that is raised, with the place it is raised at."""
    found: dict[str, str] = {}
    for module in modules():
        for function, call in _within(module.tree, None):
            if called(call.func) not in makers():
                continue
            reader = Reader(module, function)
            for value in (*call.args, *(keyword.value for keyword in call.keywords)):
                for text in reader.texts(value):
                    if len(text.replace(HOLE, "").strip(" ;:,.()'")) >= LEAST_LETTERS:
                        found.setdefault(text, f"{module.path.name}:{call.lineno}")
    return found


@pytest.fixture(autouse=True)
def english_again() -> Iterator[None]:
    yield
    speak(None)


def filled(text: str) -> tuple[str, list[str]]:
    """Return a message with something in each of its holes, and what that is."""
    values = [f"{letter}7" for letter in ascii_uppercase][:text.count(HOLE)]
    for value in values:
        text = text.replace(HOLE, value, 1)
    return text, values


def flat(language: str) -> dict[str, str]:
    return {english: own for lines in messages_of_file(language).values() for english, own in lines.items()}


def own_messages() -> dict[str, str]:
    return {text: place for text, place in raised_messages().items() if not KEY.fullmatch(text)}


@pytest.mark.parametrize("other", OTHERS)
def test_every_message_that_we_raise_is_worded_and_keeps_its_values(other: str) -> None:
    messages = own_messages()
    assert len(messages) > LEAST_RAISED
    speak(other)
    book, wrong = catalogue(other), []
    for text, place in messages.items():
        given, values = filled(text)
        own = book.known(given) or book.known(f"the key 'k' {given}")
        if own is None or not all(value in own for value in values):
            wrong.append(f"{place}: {given}: {own}")
    assert not wrong


@pytest.mark.parametrize("other", OTHERS)
def test_no_brace_is_lost_and_no_message_stands_twice(other: str) -> None:
    lines = flat(other)
    assert not [text for text, own in lines.items() if set(BRACES.findall(text)) != set(BRACES.findall(own))]
    assert not [text for text in lines if len(set(BRACES.findall(text))) != len(BRACES.findall(text))]
    assert len({BRACES.sub(HOLE, text) for text in lines}) == len(lines)


@pytest.mark.parametrize("other", OTHERS)
def test_each_line_is_found_whatever_others_would_fit(other: str) -> None:
    """Of two lines that fit one message, the one with more of its letters is meant, so each is found by its own."""
    for name, lines in messages_of_file(other).items():
        book = catalogue(other, arguments=name == ARGUMENTS)
        for text, own in lines.items():
            values = {brace: f"{letter}7" for brace, letter in zip(BRACES.findall(text), ascii_uppercase, strict=False)}
            assert book.known(put(text, values)) == put(own, values), text


def put(text: str, values: dict[str, str]) -> str:
    return BRACES.sub(lambda brace: values[brace[1]], text)


@pytest.mark.parametrize("other", OTHERS)
def test_what_plugins_offer_is_worded(other: str) -> None:
    speak(other)
    plugins = load_plugins(enabled=False)
    offered: list[Any] = [each.declaration for each in plugins.boards.values()]
    offered += [each.declaration for each in plugins.readers.values()]
    assert len(offered) > 10
    texts = [text for each in offered for text in (each.title, getattr(each, "address_help", ""),
                                                   *(setting.meaning for setting in each.settings)) if text]
    assert not [text for text in texts if worded(text) == text and "permanent-magnet" not in text]


def parser_messages() -> set[str]:
    """Return what the argument parser can say, with names in braces as it writes them."""
    found = set()
    for module in (click.core, click.parser, click.types):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("_", "ngettext"):
                found |= {str(a.value) for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)}
    return {text.rstrip(".") for text in found if not NEVER_SEEN.search(text)}


@pytest.mark.parametrize("name", LANGUAGES)
def test_what_the_argument_parser_says_is_in_our_words(name: str) -> None:
    messages = parser_messages()
    assert len(messages) > 8
    speak(name)
    for text in messages:
        given = text.format(**{"name": "--low", "value": "x", "number_type": "float", "range": "1<=x<=9", "nargs": 2,
                               "choices": "a, b", "choice": "a", "args": "x", "states": "yes, no"})
        assert worded_usage(given) != given, given
    assert set(messages_of_file(name)[ARGUMENTS]) == set(messages_of_file(LANGUAGES[0])[ARGUMENTS])


def test_a_message_is_worded_clause_by_clause_and_after_its_place() -> None:
    speak("de")
    error = FileFormatError("pump.csv", "the file is empty", "record again, or give another file", line=3)
    assert worded(error) == ("pump.csv, Zeile 3: die Datei ist leer; noch einmal aufnehmen, oder eine andere Datei "
                             "angeben")
    speak("en")
    assert worded(error) == str(error)


def test_a_message_of_a_plugin_from_elsewhere_stays_and_what_we_add_is_worded() -> None:
    speak("de")
    assert worded("the moon is full; wait") == "the moon is full; wait"
    assert worded("board loft:2 could not be opened (the moon is full); check the name and the disk") == (
        "Messkarte loft:2 ließ sich nicht öffnen (the moon is full); Name und Datenträger prüfen")
    assert CLAUSES.join(("the moon is full", "crankfold aktualisieren")) == worded("the moon is full; update crankfold")


@pytest.mark.parametrize(("arguments", "said"), [
    (("analyse", "no.csv", "--low", "abc"), "--low: 'abc' ist keine Zahl; siehe crankfold analyse --help"),
    (("demo", "--dead", "9"), "--dead: 9 liegt nicht zwischen 1 und 4; siehe crankfold demo --help"),
    (("demo", "--dead"), "nach --dead fehlt ein Wert; siehe crankfold demo --help"),
    (("sheet", "no.csv"), "--out fehlt; siehe crankfold sheet --help"),
    (("analyse", "no.csv", "--firing-order", "1-3-4-2"), "no.csv: diese Datei gibt es nicht; Name und Ordner prüfen"),
    (("analyse", "no.csv", "--firing-order", "1-1"),
     "Zündfolge 1-1 nennt Zylinder 1 zweimal; jeden Zylinder einmal nennen"),
    (("capture", "--from", "virtual:pace=slow", "--firing-order", "1-3-4-2"),
     "die virtuelle Messkarte: pace=slow ist keines von real, flat; so schreiben: pace=flat")])
def test_mistakes_are_told_in_the_language(arguments: tuple[str, ...], said: str, in_process: Any) -> None:
    done = in_process("--language", "de", *arguments)
    assert done.returncode == 2
    assert " ".join(done.stderr.split()) == said
