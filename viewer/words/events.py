"""What happens while a recording goes on, said in sentences."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from crankfold.acquire import Happening, RecordingPlan
from crankfold.viewer.words.catalogue import has, say
from crankfold.viewer.words.terminal import complain, tell

if TYPE_CHECKING:
    from crankfold.acquire import Event, Rig

LEAST_STARTER_A = 40.0  # on average; the starter of the smallest engine draws as much
STANDINGS = (Happening.FILLING, Happening.ARMED, Happening.CRANKING)


def narrator(*, aside: bool, rig: Rig | None = None) -> Callable[[Event], None]:
    """Return what to call with each event; `aside` says it on standard error, to leave standard output to JSON."""
    out: Callable[[str], None] = complain if aside else tell
    pre_trigger_s = RecordingPlan().pre_trigger_s if rig is None else rig.pre_trigger_s
    before: Happening | None = None

    def narrate(event: Event) -> None:
        nonlocal before
        text = event_text(event)
        if event.what is Happening.FILLING:
            text = say("event.filling_for", length_s=pre_trigger_s)
        elif event.what is Happening.CRANKING and before is Happening.FILLING:
            text = say("event.cranking_early")
        if event.what in STANDINGS:
            before = event.what
        if text:
            out(text)

    return narrate


def event_text(event: Event) -> str:
    """Return the sentence of an event, empty where it is not worth one."""
    key = f"event.{event.what.value}"
    if event.what.value == "lost" and event.count < 0:
        key = "event.lost_unknown"
    if event.what is Happening.PASSED:
        key = "event.passed_no_scale" if event.unit != "A" else (
            "event.passed_small" if event.mean < LEAST_STARTER_A else "event.passed")
    if not has(key):
        return ""
    return say(key, seconds_s=float(event.seconds), count=event.count, rate_hz=event.rate_hz,
               nominal_hz=event.nominal_hz, text=event.text, lasted_s=event.lasted_s, mean_a=event.mean)
