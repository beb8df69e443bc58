"""What a rule is, and what came of trying it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

KEPT, BROKEN, NOT_TRIED = "kept", "broken", "not tried"

Case = TypeVar("Case")


class RuleBrokenError(AssertionError):
    """The rule that is being tried does not hold; the message says what was seen instead."""


class NotTriedError(Exception):
    """The rule cannot be tried on this source, or another rule has to hold first; the message says which."""


@dataclass(frozen=True)
class Rule(Generic[Case]):
    """One rule.

    Parameters
    ----------
    name
        Short, for lists and reports.
    says
        The rule as a sentence.
    check
        Tries it: returns when it holds, raises `RuleBrokenError` when not, `NotTriedError` when it cannot tell.
    """

    name: str
    says: str
    check: Callable[[Case], None]


@dataclass(frozen=True)
class RuleOutcome:
    """What came of one rule.

    Parameters
    ----------
    rule, says
        Its name and its sentence.
    state
        ``"kept"``, ``"broken"`` or ``"not tried"``.
    detail
        What was seen instead, or why it was not tried; empty when it was kept.
    seconds
        How long it took.
    """

    rule: str
    says: str
    state: str
    detail: str = ""
    seconds: float = 0.0


def require(condition: object, otherwise: str) -> None:
    """Raise `RuleBrokenError` with the sentence `otherwise` unless `condition` holds."""
    if not condition:
        raise RuleBrokenError(otherwise)


def rule(name: str, says: str) -> Callable[[Callable[[Case], None]], Rule[Case]]:
    """Return a decorator that makes a checking function a `Rule`."""

    def make(check: Callable[[Case], None]) -> Rule[Case]:
        return Rule(name, says, check)

    return make
