"""Which key does what, by what the window shows: one table for the keyboard, the buttons and the help."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.viewer.session import RUNNING, VERDICTS, Phase, cam_channels
from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.session import Standing
    from crankfold.viewer.window.pages import Option


@dataclass(frozen=True)
class Keys:
    """Some keys that do one thing: their names as Qt writes them, and the wording's key for what they do."""

    names: tuple[str, ...]
    action: str


JUDGED = (
    Keys(("Space",), "dismiss"),
    Keys(("W",), "save"),
    Keys(("Tab",), "next_cylinder"),
    Keys(("Left", "Right"), "pan"),
    Keys(("+", "-"), "zoom"),
    Keys(("M",), "mark"),
    Keys(("D",), "details"),
    Keys(("Esc",), "clear"),
)
TROUBLE = (Keys(("R",), "retry"),)
RESTING = (Keys(("A",), "arm"),)
PREPARING = (Keys(("S",), "set_up"), Keys(("C",), "check"))
ALWAYS = (Keys(("P",), "paper"), Keys(("H",), "help"), Keys(("Q",), "quit"))
SELDOM = (
    Keys(("O",), "open"),
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
    resting = RESTING if now.stage is Phase.RESTING else ()
    return (*(TROUBLE if stuck else ()), *resting, *(_answered(now) if verdict else PREPARING), *ALWAYS)


def _answered(now: Standing) -> tuple[Keys, ...]:
    """Return the keys for an answer: what there is nothing for is left out."""
    if now.judged is None:
        return JUDGED[:1]
    without = set() if now.judged.result.cylinders else {"next_cylinder"}
    if not now.live:
        without.add("dismiss")  # a recording has no next crank
    return tuple(k for k in JUDGED if k.action not in without)


BY_POINTER = frozenset({"pan", "zoom", "mark", "clear"})
"""What a finger or a mouse does on the plot itself, so that it needs no button in the row."""
OFF_PLOT = ("start", "book", "job")
"""Pages that are always a button away, and have no key."""
AT_THE_KEY = (Phase.FILLING, Phase.ARMED, *RUNNING, Phase.JUDGING)
"""Phases in which hands are at the engine's key, or should stay off it: no button is the way forward."""
FEW = 6  # buttons that fit beside each other; the rest stands behind "more"


def buttons_for(now: Standing, *, checking: bool, compares: bool, covered: bool = False, waits: bool = False,
                most: int = FEW) -> tuple[str, ...]:
    """Return the actions that get a button now, the way forward first; where there are too many, the last is "more".

    Parameters
    ----------
    checking, covered
        Whether the checklist, or a card that is to be closed, lies over the page.
    compares
        Whether there is an earlier result to compare with.
    waits
        Whether the board is not opened before the checklist is done.
    """
    if covered:
        return ("close",)
    if checking:
        return ("tick", "untick", "start") if waits else ("tick", "untick", "close")
    actions = [k.action for k in keys_for(now, checking=False) if k.action not in BY_POINTER]
    if compares and now.phase in VERDICTS:
        actions.insert(1, "before")
    actions = [action for action in actions if action not in ("paper", "help", "quit")]
    if now.phase in AT_THE_KEY:
        actions.remove("set_up")  # the way forward is the key of the engine
    if now.phase not in RUNNING:
        actions.append("start")
    shown = actions if len(actions) < most else actions[: most - 1]
    return (*shown, "more")


def everything_else(now: Standing, *, compares: bool) -> tuple[Option, ...]:
    """Return everything that can be done now, as cards."""
    from crankfold.viewer.window.pages import Option

    actions = [k.action for k in keys_for(now, checking=False) if k.action not in BY_POINTER | {"help", "quit"}]
    if now.phase in VERDICTS:
        actions += ["before"] if compares else []
        actions += ["whole", "clear"] if now.judged is not None else []
    actions += ["rest"] if now.live and now.stage in (Phase.FILLING, Phase.ARMED) else []
    actions += ["cam"] if _may_learn_cam(now) else []
    actions += [*OFF_PLOT, "phone", "open", "tone", "full_screen", "help", "quit"]
    return tuple(Option(action, say(f"window.button.{action}"), told(action)) for action in actions)


def _may_learn_cam(now: Standing) -> bool:
    """Return whether a channel of the last crank may be a cam sensor's whose angle nobody knows."""
    named = now.judged is not None and now.judged.result.sync is not None
    return named and now.judged is not None and bool(cam_channels(now.judged))


def told(action: str) -> str:
    """Return what a button does, as a sentence."""
    text = say(f"window.long.{action}")
    return f"{text[:1].upper()}{text[1:]}."


def help_lines() -> tuple[str, ...]:
    """Return one line for each key there is."""
    every = (*JUDGED, *SELDOM, *TROUBLE, *RESTING, *PREPARING, *ALWAYS)
    return tuple(say("window.key_help", keys=" ".join(k.names), does=say(f"window.long.{k.action}")) for k in every)
