"""The tree of what to do next: whole, with a sentence for everything, and fit for each kind of engine."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from crankfold.analysis import Cylinder, Engine, Notice, Result
from crankfold.analysis.answer import find_pattern, notice_codes
from crankfold.viewer.picture import tree_picture, write_svg
from crankfold.viewer.words import KINDS, Kind, first_test, reachable, result_data, said_for, steps, tree, tree_test
from crankfold.viewer.words.catalogue import has, say

DOCS = Path(__file__).resolve().parents[2] / "viewer" / "docs"
NOT_ON_A_TWO_STROKE = ("oil filler", "rocker", "camshaft", "timing", "lifter", "inlet valve", "exhaust valve",
                       "spoonful")


def names_of(kind: Kind) -> list[str]:
    return reachable([first_test(finding, kind) for finding in tree()["finding"]], kind)


def sentences_of(kind: Kind) -> list[str]:
    return [said_for(kind, f"test.{name}.{key}", which="cylinder 3") for name in names_of(kind)
            for key in ("do", *(o.name for o in tree_test(name, kind).outcomes))]


def test_every_finding_leads_to_a_test_and_says_why() -> None:
    assert set(notice_codes.PATTERNS) <= set(tree()["finding"])
    for name, finding in tree()["finding"].items():
        assert has(f"finding.{name}")
        assert finding["why"].endswith(".")
        assert all(finding[key] in tree()["test"] for key in finding if key.startswith("test"))


@pytest.mark.parametrize("kind", KINDS)
def test_every_test_has_its_sentences_and_ends_somewhere(kind: Kind) -> None:
    for name in names_of(kind):
        test = tree_test(name, kind)
        assert {o.then for o in test.outcomes} <= {"", *tree()["test"]}
        assert any(not o.then for o in test.outcomes) or reachable([name], kind)[-1] != name
        assert all(has(f"test.{name}.{key}") for key in ("title", "do", *(o.name for o in test.outcomes)))


def test_no_test_is_left_over() -> None:
    assert {name for kind in KINDS for name in names_of(kind)} == set(tree()["test"])


def test_a_two_stroke_has_no_valves_and_a_diesel_gets_no_oil() -> None:
    """Oil in a diesel's cylinder can ignite or lock it: common practice, as in hardware_notes."""
    said = " ".join(sentences_of("two-stroke")).lower()
    assert not [word for word in NOT_ON_A_TWO_STROKE if word in said.replace("reed valves", "")]
    assert "reed" in said
    assert "exhaust port" in said
    assert "wet-test" not in names_of("diesel")
    assert "wet-test" in names_of("")
    assert "plug hole" not in " ".join(sentences_of("diesel")).replace("glow-plug hole", "")


def result_of(states: str, order: tuple[int, ...] = (1, 3, 4, 2), **more: object) -> Result:
    """Return a result with a letter a cylinder in firing order: g good, l low, d no compression, w marginal."""
    names = {"g": ("good", 98.0), "l": ("low", 55.0), "d": ("dead", 2.0), "w": ("watch", 80.0)}
    cylinders = tuple(Cylinder(k + 1, order[k], names[s][1], (names[s][1] - 2, names[s][1] + 2), names[s][0])
                      for k, s in enumerate(states))  # type: ignore[arg-type]
    engine = Engine(order)
    down = any(s in "ld" for s in states)
    result = Result("uneven" if down else "even", engine, cylinders=cylinders,
                    pattern=find_pattern(engine, cylinders) if down else None)
    return replace(result, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("result", "finding", "test", "words"), [
    (result_of("gdgg"), "one-dead", "leak-down", "cylinder 3"),
    (result_of("gglg"), "one-low", "gauge", "cylinder 4"),
    (result_of("gllg"), "neighbours-in-block", "neighbour", "cylinders 3 and 4"),
    (result_of("gggg"), "even", "one-gauge", "gauge reading"),
    (result_of("gggg", cautions=(Notice("slow-cranking", {"rpm": 80.0}),)), "all-slow", "supply", "battery"),
    (result_of("gggg", cautions=(Notice("fast-smooth", {"rpm": 320.0}),)), "all-fast", "timing", "camshaft"),
    (result_of("gwgg"), "watch", "repeat-warm", "again"),
    (Result("none", Engine((1,)), reasons=(Notice("one-cylinder"),)), "single", "single-gauge", "maker's figure")])
def test_each_result_finds_its_place_in_the_tree(result: Result, finding: str, test: str, words: str) -> None:
    found = result_data(result)["next_test"]
    assert (found["finding"], found["test"]) == (finding, test)
    assert words in steps(result)[0]
    assert [o["text"] for o in found["outcomes"]] == list(steps(result)[1 : 1 + len(found["outcomes"])])


def test_nobody_is_told_to_buy_parts_first() -> None:
    assert steps(result_of("gdgg"))[-1] == say("test.not_first")
    diesel = result_of("gdgg", engine=replace(Engine((1, 3, 4, 2)), fuel="diesel"))
    assert "fuel parts" in steps(diesel)[-1]
    assert "through the glow-plug or injector hole" in steps(diesel)[0]


@pytest.mark.parametrize("kind", KINDS)
def test_the_drawing_in_the_docs_is_the_tree_s(kind: Kind) -> None:
    drawn = write_svg(tree_picture(kind))
    ET.fromstring(drawn)
    kept = (DOCS / f"next-steps-{kind or 'petrol'}.svg").read_text(encoding="utf-8")
    assert kept == drawn, "python -m crankfold.viewer.draw_docs writes it again"
