"""What happens while a recording goes on, said in sentences."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from crankfold.viewer.terminal import complain, tell
from crankfold.viewer.wording import has, say

if TYPE_CHECKING:
    from crankfold.acquire.recording import Event


def narrator(*, aside: bool) -> Callable[[Event], None]:
    """Return what to call with each event; `aside` says it on standard error, to leave standard output to JSON."""
    out: Callable[[str], None] = complain if aside else tell

    def narrate(event: Event) -> None:
        text = event_text(event)
        if text:
            out(text)

    return narrate


def event_text(event: Event) -> str:
    """Return the sentence of an event, empty where it is not worth one."""
    key = f"event.{event.what.value}"
    if event.what.value == "lost" and event.count < 0:
        key = "event.lost_unknown"
    if not has(key):
        return ""
    return say(key, seconds_s=float(event.seconds), count=event.count, rate_hz=event.rate_hz,
               nominal_hz=event.nominal_hz, text=event.text)
