"""How a board is to be recorded: what the rig keeps before the onset, and the current in amperes for the trigger."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.session.judgement import in_amperes

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
    from crankfold.acquire import RecordingPlan
    from crankfold.analysis import CURRENT, Capture

    one = Capture(np.zeros((1, len(info.channels))), info.rate_hz, info.channels)
    seen = in_amperes(one, rig, probe)
    names = rig.channels if rig is not None and rig.channels else tuple(c.name for c in info.channels)
    column = names.index(CURRENT) if CURRENT in names else 0
    current = seen.channels[seen.index_of(CURRENT) or 0]
    plan = RecordingPlan(journal_folder=journal_folder, current=current, current_column=column)
    return plan if rig is None else replace(plan, pre_trigger_s=rig.pre_trigger_s, max_crank_s=rig.max_crank_s)
