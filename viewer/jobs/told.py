"""An entry of the job book in a few words: when it was, and what was found."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.jobs.entry import Entry


def when_text(entry: Entry) -> str:
    """Return day and minute in the computer's own time, empty where nobody knew."""
    if not entry.started_utc:
        return ""
    return datetime.fromisoformat(entry.started_utc).astimezone().strftime("%Y-%m-%d %H:%M")


def finding_text(entry: Entry) -> str:
    """Return what was found in one capture, in a few words."""
    facts = {"low": entry.low, "dead": entry.dead, "lowest_percent": entry.lowest_percent}
    if entry.verdict == "uneven":
        return say("jobs.finding.no-compression" if entry.dead else "jobs.finding.low", **facts)
    return say(f"jobs.finding.{entry.verdict}", **facts)
