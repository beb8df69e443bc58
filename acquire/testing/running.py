"""Tries rules one after the other, each with a deadline, so that a driver that hangs costs one rule and not the run."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from crankfold.acquire.errors import AcquireError
from crankfold.acquire.testing.outcome import (
    BROKEN,
    KEPT,
    NOT_TRIED,
    Case,
    NotTriedError,
    Rule,
    RuleBrokenError,
    RuleOutcome,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

RULE_DEADLINE_S = 30.0
"""A rule opens the board up to six times, and a board that restarts on opening needs two seconds each time."""


def try_rule(rule: Rule[Case], case: Case, deadline_s: float = RULE_DEADLINE_S) -> RuleOutcome:
    """Return what came of one rule, tried on a thread of its own; a check that hangs is left behind as broken."""
    said: list[tuple[str, str]] = []
    began_s = time.monotonic()
    thread = threading.Thread(target=lambda: said.append(_tried(rule, case)), name=f"rule {rule.name}", daemon=True)
    thread.start()
    thread.join(deadline_s)
    state, detail = said[0] if said else (BROKEN, f"hangs: no answer within {deadline_s:g} s")
    return RuleOutcome(rule.name, rule.says, state, detail, time.monotonic() - began_s)


def try_rules(rules: Sequence[Rule[Case]], case: Case, *, deadline_s: float = RULE_DEADLINE_S,
              progress: Callable[[int, int, Rule[Case]], None] | None = None) -> list[RuleOutcome]:
    """Return what came of each rule, in order.

    Parameters
    ----------
    rules, case
        What to try, and on what.
    deadline_s
        For each rule.
    progress
        Called before each rule with its index, their number, and the rule.
    """
    return list(_outcomes(rules, case, deadline_s, progress))


def _outcomes(rules: Sequence[Rule[Case]], case: Case, deadline_s: float,
              progress: Callable[[int, int, Rule[Case]], None] | None) -> Iterator[RuleOutcome]:
    hung = ""
    for index, rule in enumerate(rules):
        if progress is not None:
            progress(index, len(rules), rule)
        if hung:
            yield RuleOutcome(rule.name, rule.says, NOT_TRIED, f"the board is still held by the rule {hung}")
            continue
        outcome = try_rule(rule, case, deadline_s)
        if outcome.detail.startswith("hangs"):
            hung = rule.name
        yield outcome


def _tried(rule: Rule[Case], case: Case) -> tuple[str, str]:
    try:
        rule.check(case)
    except RuleBrokenError as error:
        return BROKEN, str(error)
    except NotTriedError as error:
        return NOT_TRIED, str(error)
    except AcquireError as error:
        return BROKEN, f"this came instead: {error}"
    except BaseException as error:  # whatever a driver does, the other rules are to be tried
        return BROKEN, f"a {type(error).__name__} came instead: {error}"
    return KEPT, ""
