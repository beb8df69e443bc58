"""Every sentence that is used exists, gets its facts, and none is left over."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import get_args

import pytest

import crankfold.analysis
import crankfold.plugins
import crankfold.viewer
from crankfold.acquire import SURVIVED, Happening
from crankfold.analysis import Cylinder, Engine, Notice, Result
from crankfold.analysis.answer import notice_codes
from crankfold.analysis.result import Cranking, ReasonCode
from crankfold.viewer.words import answer, headline, say, tame
from crankfold.viewer.words.catalogue import has, placeholders, sentences
from crankfold.viewer.words.sentences import notice_text

VIEWER = Path(crankfold.viewer.__file__).parent
FAMILIES = {"reason": notice_codes.REASONS, "caution": {**notice_codes.CAUTIONS, **SURVIVED},
            "note": notice_codes.NOTES}
OWN_CAUTIONS = {"overridden": ("names",), "about-unreadable": ("text",),
                "several-captures": ("count", "length_s")}  # not the analysis'
PLUGINS = sorted(Path(crankfold.plugins.__file__).parent.rglob("*.py"))
VARIANTS = {"named", "unnamed", "sure", "unsure"}
FALLBACKS = {"heading", "other"}


def trees() -> list[tuple[str, ast.Module]]:
    return [(str(f.relative_to(VIEWER)), ast.parse(f.read_text(encoding="utf-8"))) for f in VIEWER.rglob("*.py")]


def literals_and_patterns() -> tuple[set[str], list[re.Pattern[str]]]:
    literals, patterns = set(), []
    for _, tree in trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                literals.add(node.value)
            if isinstance(node, ast.JoinedStr):
                parts = [re.escape(str(v.value)) if isinstance(v, ast.Constant) else "[a-z0-9_-]+" for v in node.values]
                if isinstance(node.values[0], ast.Constant) and "." in str(node.values[0].value):
                    patterns.append(re.compile("".join(parts)))
    return literals, patterns


def whys() -> dict[str, set[str]]:
    """Return the reasons behind reasons that the analysis gives, by code."""
    text = "\n".join(f.read_text(encoding="utf-8") for f in Path(crankfold.analysis.__file__).parent.rglob("*.py"))
    sync = set(re.findall(r'_NoNameError\("([a-z-]+)"', text))
    sync |= set(re.findall(r'"sync-cannot-name",\s*\{\s*"why": "([a-z-]+)"', text))
    unexplained = set(re.findall(r'"not-explained",\s*\{\s*"why": "([a-z-]+)"', text))
    assert len(sync) >= 6
    assert len(unexplained) >= 4
    humps = set(re.findall(r'"hump-count",\s*\{\s*"why": "([a-z-]+)"', text))
    fired = set(re.findall(r'"engine-fired",\s*\{\s*"why": "([a-z-]+)"', text))
    numbers = set(re.findall(r'guess="([a-z-]+)"', "\n".join(f.read_text(encoding="utf-8") for f in PLUGINS)))
    nothing = set(re.findall(r'"no-cranking",\s*\{\s*"why": "([a-z-]+)"', text))
    return {"caution.sync-cannot-name": sync, "reason.not-explained": unexplained, "reason.hump-count": humps,
            "reason.no-cranking": nothing, "reason.engine-fired": fired, "caution.numbers-guessed": numbers}


def test_every_sentence_is_used() -> None:
    literals, patterns = literals_and_patterns()
    counted = {f"{base}.{ending}" for base in literals for ending in ("one", "many")}
    left = {key for key in sentences() if key not in literals | counted
            and not any(p.fullmatch(name) for p in patterns
                        for name in (key, key.removesuffix(".one").removesuffix(".many")))}
    for family, codes in FAMILIES.items():
        left -= {key for key in left if key.startswith(f"{family}.") and key.split(".")[1] in {*codes, *FALLBACKS,
                                                                                             *OWN_CAUTIONS}}
    left -= {f"headline.none.{code}" for code in get_args(ReasonCode)}
    whole = {node.args[0].value for _, tree in trees() for node in ast.walk(tree)
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "sentences_of"
             and isinstance(node.args[0], ast.Constant)}
    left -= {key for key in left if key.split(".")[0] in whole}
    usual = {key: key.removesuffix("_diesel").removesuffix("_two-stroke") for key in left}
    left -= {key for key in left if usual[key] != key and usual[key] in {*literals, *sentences()}}
    assert not left


def test_every_key_written_in_the_code_exists_and_gets_its_facts() -> None:
    wrong = []
    for name, tree in trees():
        for node in ast.walk(tree):
            called = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("say",)
            if not called or not node.args or not isinstance(node.args[0], ast.Constant):
                continue
            key = node.args[0].value
            given = {k.arg for k in node.keywords}
            if not has(key):
                wrong.append(f"{name}: {key} does not exist")
            elif None not in given and not placeholders(key) <= given:
                wrong.append(f"{name}: {key} lacks {placeholders(key) - given}")
    assert not wrong


@pytest.mark.parametrize("family", FAMILIES)
def test_every_code_of_the_analysis_has_a_sentence_its_facts_can_fill(family: str) -> None:
    for code, facts in FAMILIES[family].items():
        keys = [key for key in sentences() if key == f"{family}.{code}" or key.startswith(f"{family}.{code}.")]
        assert keys, f"{family}.{code}"
        for key in keys:
            assert placeholders(key) <= set(facts), key


def test_what_boards_and_readers_survive_is_a_code_with_its_facts() -> None:
    """Each notice in the plugins is in the table, which the wording is checked against; none gives a sentence."""
    given: set[str] = set()
    for file in PLUGINS:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        assert "warnings" not in [node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
        given |= {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)
                  and isinstance(node.value, str) and node.value in SURVIVED}
        for node in ast.walk(tree):
            named = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Notice"
            if not named or not isinstance(node.args[0], ast.Constant):
                continue
            facts = [key.value for key in node.args[1].keys] if len(node.args) > 1 else []
            assert set(facts) == set(SURVIVED[node.args[0].value]), f"{file.name}: {node.args[0].value}"
    assert given | {"source"} == set(SURVIVED)


def test_every_why_has_its_own_sentence() -> None:
    for base, reasons in whys().items():
        for why in reasons:
            assert has(f"{base}.{why}"), f"{base}.{why}"


@pytest.mark.parametrize("family", FAMILIES)
def test_every_sentence_of_a_code_can_be_chosen(family: str) -> None:
    """By its why, by whether cylinders are named, or where nothing else says which."""
    for code in FAMILIES[family]:
        base = f"{family}.{code}"
        chosen = whys().get(base, set()) | {"named", "unnamed", "other"}
        own = [key for key in sentences() if key.startswith(f"{base}.")]
        told = {key.removeprefix(f"{base}.").removesuffix("_diesel").removesuffix("_two-stroke") for key in own}
        assert told <= chosen, f"{base}: nothing chooses {told - chosen}"
        assert has(base) or told, base


def test_another_number_of_humps_is_told_with_both_numbers() -> None:
    facts = {"humps": 3, "cylinders": 6, "rpm": 150.0}
    text = notice_text("reason", Notice("hump-count", facts))
    assert text.startswith("3 humps per cycle, but the firing order has 6 cylinders.")


def test_every_reason_has_a_headline() -> None:
    for code in get_args(ReasonCode):
        assert has(f"headline.none.{code}")


def test_a_notice_without_its_facts_is_still_said() -> None:
    for family, codes in FAMILIES.items():
        for code in (*codes, "never-heard-of"):
            assert notice_text(family, Notice(code))


def test_notices_choose_the_sentence_that_fits_their_facts() -> None:
    named = Notice("near-limit", {"cylinders": (3,), "positions": (2,), "limit_percent": 75.0})
    unnamed = Notice("near-limit", {"cylinders": (), "positions": (2,), "limit_percent": 75.0})
    assert "Cylinder 3" in notice_text("caution", named)
    assert notice_text("caution", unnamed).startswith("One result")
    assert "DC clamp" in notice_text("reason", Notice("ac-probe"))


def test_a_rate_that_is_hardly_too_low_does_not_read_as_enough() -> None:
    facts = {"sample_rate_hz": 99.7, "needed_hz": 100}
    text = notice_text("reason", Notice("rate-too-low", facts))
    assert text.startswith("99.7 samples a second is too slow for this engine; it needs at least 100.")
    low = say("check.bad.rate-low", rate_hz=79.6, needed_hz=80.0, cylinders=4)
    assert low.startswith("79.6 samples a second are too few")
    assert say("check.good.rate", rate_hz=2003.7, nominal_hz=500.0).startswith("2004 samples a second; the")


def test_a_share_that_is_too_much_does_not_read_as_nothing() -> None:
    assert "range 0.12 % of the time" in say("check.bad.clipped", channel="Current", percent_of_time=0.12)


def test_events_of_a_recording_have_words_or_are_left_out_on_purpose() -> None:
    silent = {Happening.CAPTURED, Happening.ENDED}
    for happening in Happening:
        assert has(f"event.{happening.value}") == (happening not in silent)


def test_headlines_are_one_short_sentence() -> None:
    for key, text in sentences().items():
        if key.startswith("headline."):
            assert text.endswith("."), key
            assert text.count(".") == 1, key
            assert len(re.sub(r"\{\w+\}", "10", text)) <= 50, key


def test_sentences_are_plain() -> None:
    for key, text in sentences().items():
        assert tame(text) == text, key
        assert "  " not in text, key
        assert "!" not in text, key


def test_no_question_of_number_grammar_is_left_open() -> None:
    assert say("list.last", rest="1, 2", last="3") == "1, 2 and 3"


def state_result(*states: tuple[int | None, float, str], verdict: str = "uneven") -> Result:
    """Return a result with cylinders given as number, percent and state, in firing order."""
    cylinders = tuple(Cylinder(k, number, percent, (percent - 6, percent + 6), state)  # type: ignore[arg-type]
                      for k, (number, percent, state) in enumerate(states, 1))
    order = tuple(range(1, len(states) + 1))
    return Result(verdict, Engine(order), cylinders=cylinders)  # type: ignore[arg-type]


@pytest.mark.parametrize(("states", "said"), [
    (((1, 99, "good"), (3, 0, "dead"), (4, 98, "good"), (5, 57, "low"), (2, 97, "good")),
     "Cylinder 3 has no compression, cylinder 5 is low: 57 %."),
    (((1, 99, "good"), (3, 0, "dead"), (4, 4, "dead"), (2, 97, "good")), "Cylinders 3 and 4 have no compression."),
    (((1, 61, "low"), (3, 99, "good"), (4, 98, "good"), (2, 57, "low")), "Cylinders 1 and 2 are low: 61 and 57 %."),
    (((None, 99, "good"), (None, 0, "dead"), (None, 57, "low")),
     "One cylinder has no compression, another is low: 57 %."),
    (((None, 50, "low"), (None, 57, "low"), (None, 99, "good")), "2 of 3 cylinders are low: 50 and 57 %."),
    (((1, 99, "good"), (2, 80, "watch")), "No cylinder is low, but check cylinder 2.")])
def test_each_finding_has_its_own_clause(states, said: str) -> None:
    verdict = "uneven" if any(state in ("low", "dead") for _, _, state in states) else "even"
    assert headline(state_result(*states, verdict=verdict)) == said


def test_a_cylinder_at_the_limit_is_said_with_its_range() -> None:
    assert headline(state_result((1, 99, "good"), (3, 74, "limit"), verdict="limit")) == (
        "Cylinder 3 is at the limit: 74 %, 68 to 80.")
    two = headline(state_result((1, 99, "good"), (3, 74, "limit"), (2, 76, "limit"), verdict="limit"))
    assert two == "Cylinders 2 and 3 are at the limit: 76 and 74 %."
    unnamed = headline(state_result((None, 99, "good"), (None, 74, "limit"), verdict="limit"))
    assert unnamed == "One cylinder is at the limit: 74 %, 68 to 80."


def test_the_wrong_engine_card_is_said_with_both_numbers() -> None:
    refused = Result("none", Engine((1, 2)), reasons=(Notice("hump-count", {"humps": 4, "cylinders": 6}),))
    assert headline(refused) == "4 humps a cycle, but the card says 6 cylinders."
    assert headline(Result("none", Engine((1, 2)), reasons=(Notice("hump-count"),))) == "No verdict."


def test_a_refused_result_says_nothing_of_what_it_does_not_know() -> None:
    """Neither the speed that the wrong number of cylinders gives, nor a cylinder near the limit, nor a clipped mean."""
    cranking = Cranking(1.0, 5.0, 3.6, 138.0, 300.0, 170.0, 10_000.0)
    near, slow = Notice("near-limit", {"limit_percent": 75.0}), Notice("slow-cranking", {"rpm": 90.0})
    cut = Notice("some-clipped", {"flat_percent": 80.0})
    for reason in ("hump-count", "not-explained", "clipped"):
        told = answer(Result("none", Engine((1, 2)), reasons=(Notice(reason),), cautions=(near, slow, cut),
                             cranking=cranking))
        said = " ".join((*told.cranking, *told.cautions))
        assert "limit to call" not in said
        assert ("rpm" in said) == (reason == "clipped")
        assert ("300 A" in said) == (reason != "clipped")
        assert ("samples in the humps" in said) == (reason != "clipped")


def test_clipped_humps_are_not_called_sound_by_the_in_rush() -> None:
    """A file may give both; together they must not contradict each other."""
    both = notice_text("reason", Notice("clipped", {"flat_percent": 9.0})) + notice_text(
        "caution", Notice("inrush-clipped"))
    assert "humps are not" not in both
