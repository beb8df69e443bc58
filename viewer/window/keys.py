"""Which key does what, by what the window shows: one table for the keyboard, the line of keys and the help."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.session import VERDICTS, Phase
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.session import Standing


@dataclass(frozen=True)
class Keys:
    """Some keys that do one thing: their names as Qt writes them, and the wording's key for what they do."""

    names: tuple[str, ...]
    action: str


JUDGED = (
    Keys(("Space",), "dismiss"),
    Keys(("Tab",), "next_cylinder"),
    Keys(("Left", "Right"), "pan"),
    Keys(("+", "-"), "zoom"),
    Keys(("M",), "mark"),
    Keys(("D",), "details"),
    Keys(("Esc",), "clear"),
)
TROUBLE = (Keys(("R",), "retry"),)
PREPARING = (Keys(("S",), "set_up"), Keys(("C",), "check"))
ALWAYS = (Keys(("P",), "paper"), Keys(("H",), "help"), Keys(("Q",), "quit"))
SELDOM = (
    Keys(("Home",), "whole"),
    Keys(("1-9",), "number"),
    Keys(("B",), "before"),
    Keys(("T",), "tone"),
    Keys(("F",), "full_screen"),
)
CHECKING = (Keys(("Enter",), "tick"), Keys(("Backspace",), "untick"), Keys(("Esc",), "close"))


def keys_for(now: Standing, *, checking: bool) -> tuple[Keys, ...]:
    """Return the keys that do something now."""
    if checking:
        return (*CHECKING, *ALWAYS)
    verdict, stuck = now.phase in VERDICTS, now.stage in (Phase.NO_BOARD, Phase.LOST, Phase.OVER)
    return (*(TROUBLE if stuck else ()), *(_answered(now) if verdict else PREPARING), *ALWAYS)


def _answered(now: Standing) -> tuple[Keys, ...]:
    """Return the keys for an answer: what there is nothing for is left out."""
    if now.judged is None:
        return JUDGED[:1]
    return JUDGED if now.judged.result.cylinders else tuple(k for k in JUDGED if k.action != "next_cylinder")


BY_POINTER = frozenset({"pan", "zoom", "mark", "clear"})
"""What a finger or a mouse does on the plot itself, so that it needs no button."""
FEW = 6  # buttons that fit beside each other on the narrowest screen; the rest stands behind "more"


def buttons_for(now: Standing, *, checking: bool, compares: bool, most: int = FEW) -> tuple[str, ...]:
    """Return the actions that get a button now, the way forward first; where there are too many, the last is "more".

    Parameters
    ----------
    compares
        Whether there is an earlier result to compare with.
    """
    actions = [k.action for k in keys_for(now, checking=checking) if k.action not in BY_POINTER]
    if compares and now.phase in VERDICTS:
        actions.insert(1, "before")
    return tuple(actions) if len(actions) <= most else (*actions[: most - 1], "more")


def line_of(keys: tuple[Keys, ...]) -> str:
    """Return the line at the foot of the window."""
    return "   ".join(say("window.key_line", keys="/".join(k.names), does=say(f"window.does.{k.action}")) for k in keys)


def help_lines() -> tuple[str, ...]:
    """Return one line for each key there is."""
    every = (*JUDGED, *SELDOM, *TROUBLE, *PREPARING, *ALWAYS)
    return tuple(say("window.key_help", keys=" ".join(k.names), does=say(f"window.long.{k.action}")) for k in every)
