"""What to do next: from a finding to the test that settles it, by the tree in ``next_steps.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Literal

from crankfold.viewer.words.catalogue import has, say, say_count
from crankfold.viewer.words.headlines import low_ones

if TYPE_CHECKING:
    from crankfold.analysis import Engine, Result

Kind = Literal["", "diesel", "two-stroke"]
"""Which of the sentences and tests fit an engine: petrol's are the plain ones."""
KINDS: tuple[Kind, ...] = ("", "diesel", "two-stroke")


@dataclass(frozen=True)
class Outcome:
    """One outcome of a test: its name, and the test that follows, empty where the outcome settles it."""

    name: str
    then: str


@dataclass(frozen=True)
class TreeTest:
    """A test of the tree.

    Parameters
    ----------
    name
        As in the file; its sentences are ``test.NAME.do``, ``test.NAME.OUTCOME``.
    outcomes
        What it may show, in the order in which to look.
    spare_parts
        Whether to warn of buying parts before it.
    """

    name: str
    outcomes: tuple[Outcome, ...]
    spare_parts: bool


@cache
def tree() -> dict[str, Any]:
    """Return the file's findings and tests as plain data."""
    return tomllib.loads((resources.files("crankfold.viewer") / "next_steps.toml").read_text(encoding="utf-8"))


def kind_of(engine: Engine) -> Kind:
    """Return whose tests and sentences fit an engine."""
    return "two-stroke" if engine.strokes == 2 else "diesel" if engine.fuel == "diesel" else ""


def first_test(finding: str, kind: Kind) -> str:
    """Return the name of the test that a finding leads to."""
    return str(_fitting(tree()["finding"][finding], "test", kind))


def tree_test(name: str, kind: Kind) -> TreeTest:
    """Return a test of the tree as it is for a kind of engine."""
    data = tree()["test"][name]
    then = _fitting(data, "then", kind) or {}
    return TreeTest(name, tuple(Outcome(o, then.get(o, "")) for o in data["outcomes"]), data.get("spare_parts", False))


def _fitting(data: Mapping[str, Any], key: str, kind: Kind) -> Any:
    return data.get(f"{key}_{kind}", data.get(key))


def finding_of(result: Result) -> str:
    """Return the finding of the tree that a result makes, empty where it makes none."""
    cautions = {n.code for n in result.cautions}
    if result.verdict == "none":
        return _finding_without_verdict(result)
    if result.verdict == "uneven":
        return result.pattern.code if result.pattern is not None and low_ones(result) else ""
    if result.verdict == "limit":
        return "limit"
    for caution, finding in (("too-much-hump", "one-high"), ("fast-smooth", "all-fast"), ("slow-cranking", "all-slow")):
        if caution in cautions:
            return finding
    return "watch" if any(c.state in ("watch", "limit") for c in result.cylinders) else "even"


def _finding_without_verdict(result: Result) -> str:
    reason = result.reasons[0] if result.reasons else None
    if reason is None:
        return ""
    return {"one-cylinder": "single", "no-humps": "all-fast"}.get(reason.code, "")


def which(result: Result) -> str:
    """Return the cylinders that a test is to be done on, as words inside a sentence."""
    down = low_ones(result) or [c for c in result.cylinders if c.state in ("limit", "watch")]
    numbers = sorted(c.cylinder for c in down if c.cylinder is not None)
    if not numbers or len(numbers) < len(down):
        return say_count("which.unnamed", max(1, len(down)))
    return say_count("which", len(numbers), cylinders=tuple(numbers))


def said_for(kind: Kind, key: str, **facts: object) -> str:
    """Return a sentence in the form for a kind of engine."""
    own = f"{key}_{kind}"
    return say(own if kind and has(own) else key, **facts)


def steps(result: Result) -> tuple[str, ...]:
    """Return the test to do next, what each outcome means, and what not to buy before it."""
    finding, kind = finding_of(result), kind_of(result.engine)
    if not finding:
        return ()
    test = tree_test(first_test(finding, kind), kind)
    lines = [said_for(kind, f"test.{test.name}.do", which=which(result)),
             *(said_for(kind, f"test.{test.name}.{o.name}") for o in test.outcomes)]
    return (*lines, *((said_for(kind, "test.not_first"),) if test.spare_parts else ()))


def steps_data(result: Result) -> dict[str, Any] | None:
    """Return the test to do next as plain data, None where the tree has none for this result."""
    finding, kind = finding_of(result), kind_of(result.engine)
    if not finding:
        return None
    test = tree_test(first_test(finding, kind), kind)
    return {"finding": finding, "test": test.name, "text": said_for(kind, f"test.{test.name}.do", which=which(result)),
            "outcomes": [{"outcome": o.name, "text": said_for(kind, f"test.{test.name}.{o.name}"),
                          "then": o.then or None} for o in test.outcomes]}


def reachable(starts: Sequence[str], kind: Kind) -> list[str]:
    """Return the names of all tests that follow from some, nearest first."""
    found = list(dict.fromkeys(starts))
    for name in found:
        found += [o.then for o in tree_test(name, kind).outcomes if o.then and o.then not in found]
    return found
