"""A capture as the rig's wiring says it is: which column is what, which is reversed, and what the probe makes of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from crankfold.acquire.rig.probe import Probe, in_base_units
from crankfold.analysis import CURRENT, InputError

if TYPE_CHECKING:
    from crankfold.acquire.rig.cards import Rig
    from crankfold.analysis import Capture

UNUSED = "unused"


def wired(capture: Capture, rig: Rig) -> Capture:
    """Return the capture with its columns named, in order, turned and in amperes, as the rig says.

    Raises
    ------
    InputError
        The rig names other columns than the capture has, or its probe does not go with the current's unit.
    """
    capture = _named(capture, rig.channels)
    for name in rig.reversed_channels:
        index = capture.index_of(name)
        if index is None:
            raise InputError(f"the rig reverses channel {name!r}; the capture has {[c.name for c in capture.channels]}")
        capture = capture.rescaled(name, -1.0, capture.channels[index].unit)
    return Probe.parse(rig.probe).apply(capture) if rig.probe else in_base_units(capture)


def _named(capture: Capture, names: tuple[str, ...]) -> Capture:
    if not names:
        return capture
    if len(names) > len(capture.channels):
        raise InputError(f"the rig names {len(names)} channels, the board gives {len(capture.channels)}; "
                         "name each, or 'unused'")
    names = (*names, *(channel.name for channel in capture.channels[len(names) :]))  # the rest keep their own
    if len(set(names) - {UNUSED}) < sum(name != UNUSED for name in names):
        raise InputError(f"the rig's channels {list(names)} share a name; name each, or 'unused'")
    kept = [at for at, name in enumerate(names) if name != UNUSED]
    kept.sort(key=lambda at: names[at] != CURRENT)  # the current comes first
    if not kept or names[kept[0]] != CURRENT:
        raise InputError(f"the rig names no channel {CURRENT!r} among {list(names)}; say which column is the current")
    return replace(capture, samples=capture.samples[:, kept],
                   channels=tuple(replace(capture.channels[at], name=names[at]) for at in kept))
