"""How a board is to be recorded: what the rig keeps before the onset, and the current in amperes for the trigger."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from crankfold.acquire import Probe, RecordingPlan, Rig, SourceInfo


def plan_of(info: SourceInfo, *, rig: Rig | None, probe: Probe | None, journal_folder: Path | None) -> RecordingPlan:
    """Return the plan for an open source; its trigger knows amperes where rig or probe do.

    Raises
    ------
    InputError
        The rig or the probe does not go with the source's channels.
    """
    from crankfold.acquire import RecordingPlan, current_of

    column, current = current_of(info.channels, rig, probe)
    plan = RecordingPlan(journal_folder=journal_folder, current=current, current_column=column)
    return plan if rig is None else replace(plan, pre_trigger_s=rig.pre_trigger_s, max_crank_s=rig.max_crank_s)
