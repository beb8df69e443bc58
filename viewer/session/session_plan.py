"""What a session is to do: which source, what is asked of each crank, how it is recorded and kept, and when it ends."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from crankfold.acquire import Job, Probe, RecordingPlan, Rig, RingBuffer, Source, SourceInfo
    from crankfold.analysis import Channel
    from crankfold.viewer.session.question import Question

RETRY_S = 1.0  # systems need about a second to know a board that was plugged in again


class Patience(Enum):
    """When a board that is not there is waited for."""

    NEVER = "never"
    """Absent or lost ends the session."""

    ONCE_OPENED = "once-opened"
    """Absent at the beginning ends it; a board that was unplugged later is waited for."""

    ALWAYS = "always"
    """Absent or lost is waited for, and after the end of a recording `Session.retry` plays it again."""


def nothing_to_prepare(info: SourceInfo) -> None:
    """Prepare nothing."""
    del info


@dataclass(frozen=True)
class SessionPlan:
    """What a session is to do.

    Parameters
    ----------
    open
        Opens the source; raises an `AcquireError` or `InputError` while it is not there.
    question
        Asked of each capture.
    live
        Whether it is a board, to be tried again when it is lost; False for a recording.
    title
        Until the source says its own.
    folder
        Where each crank is kept: samples, result, sheet and pictures; None: nowhere.
    job
        Customer, plate and so on, kept with each capture.
    settings
        That the board was opened with, kept with each capture.
    each_crank
        Whether each crank of a live source is a capture of its own; None: a source that ends by itself and does not
        stream in real time is one capture.
    count
        Cranks to take, None: until the source ends or somebody ends it.
    patience
        Whether a board that is not there is waited for.
    prepare
        Makes ready what the analysis needs, after the source was opened and before it streams: loading and compiling
        hold the interpreter for seconds. Called with what the source says of itself.
    retry_s
        Seconds between two tries to open a board that is waited for.
    """

    open: Callable[[], Source]
    question: Question
    live: bool = True
    title: str = ""
    folder: Path | None = None
    job: Job | None = None
    settings: Mapping[str, str] = field(default_factory=dict)
    each_crank: bool | None = True
    count: int | None = None
    patience: Patience = Patience.ALWAYS
    prepare: Callable[[SourceInfo], None] = field(default=nothing_to_prepare)
    retry_s: float = RETRY_S

    def about(self) -> dict[str, Any]:
        """Return what each capture is to know of itself, as plain JSON data."""
        from importlib.metadata import version

        from crankfold.acquire import shareable
        from crankfold.viewer.session.particulars import about_of

        caught: dict[str, Any] = {"program": f"crankfold {version('crankfold')}"}
        if told := shareable(self.settings):
            caught["settings"] = told
        return about_of(self.question, self.job).data() | {"caught": caught}


@dataclass(frozen=True, eq=False)
class Followed:
    """A stream to be drawn live.

    Parameters
    ----------
    ring
        Where its samples are.
    channels
        Row in the ring and scale of what is drawn: the current first, then the second channel if there is one.
    rate_hz
        Samples a second.
    """

    ring: RingBuffer
    channels: tuple[tuple[int, Channel], ...]
    rate_hz: float

    @classmethod
    def of(cls, ring: RingBuffer, info: SourceInfo, recording: RecordingPlan) -> Followed:
        """Return the current of a stream, in amperes where they are known, and one other channel."""
        at = recording.current_column
        others = [(k, channel) for k, channel in enumerate(info.channels) if k != at]
        return cls(ring, ((at, recording.current or info.channels[at]), *others[:1]), info.rate_hz)


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
