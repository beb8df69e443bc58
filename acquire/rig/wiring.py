"""A capture as the rig's wiring says it is: which column is what, which is reversed, and what the probe makes of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from crankfold.acquire.rig.channel_scale import ChannelScale
from crankfold.acquire.rig.probe import Probe, base_channel, in_base_units
from crankfold.analysis import CURRENT, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.acquire.rig.cards import Rig
    from crankfold.analysis import Capture, Channel

UNUSED = "unused"


def wired(capture: Capture, rig: Rig) -> Capture:
    """Return the capture with its columns named, in order, turned and in amperes, as the rig says.

    Raises
    ------
    InputError
        The rig names other columns than the capture has, or its probe does not go with the current's unit.
    """
    kept = _named(capture.channels, rig.channels)
    capture = replace(capture, samples=capture.samples[:, [at for at, _ in kept]],
                      channels=tuple(channel for _, channel in kept))
    for name in _reversed(rig, capture.channels):
        capture = capture.rescaled(name, -1.0, capture.channels[capture.index_of(name) or 0].unit)
    for name, text in rig.scales.items():
        capture = ChannelScale.parse(text).apply(capture, name)
    return Probe.parse(rig.probe).apply(capture) if rig.probe else in_base_units(capture)


def current_of(channels: Sequence[Channel], rig: Rig | None, probe: Probe | None) -> tuple[int, Channel]:
    """Return the column of the current among a source's channels, and its channel as rig and probe make it.

    Parameters
    ----------
    channels
        As the source gives them.
    rig, probe
        A probe that is named goes before the rig's.

    Raises
    ------
    InputError
        As `wired`, or there is no current.
    """
    kept = _named(channels, () if rig is None else rig.channels)
    found = next(((at, channel) for at, channel in kept if channel.name == CURRENT), None)
    if probe is None and rig is not None and rig.probe:
        probe = Probe.parse(rig.probe)
    if found is None and probe is None:
        found = kept[0]  # nobody says which it is: as a capture of these channels is analysed
    if found is None:
        raise InputError(f"there is no channel {CURRENT!r} among {[channel.name for channel in channels]}; say which "
                         "column is the current, in the board's settings or on a rig")
    at, channel = found
    if rig is not None and CURRENT in _reversed(rig, tuple(channel for _, channel in kept)):
        channel = channel.rescaled(-1.0, channel.unit)
    return at, base_channel(channel) if probe is None else probe.channel(channel)


def _reversed(rig: Rig, channels: Sequence[Channel]) -> tuple[str, ...]:
    """Return the names of the channels that the rig turns, all of which are there."""
    names = [channel.name for channel in channels]
    missing = next((name for name in rig.reversed_channels if name not in names), None)
    if missing is not None:
        raise InputError(f"the rig reverses channel {missing!r}; the capture has {names}")
    return rig.reversed_channels


def _named(channels: Sequence[Channel], names: tuple[str, ...]) -> list[tuple[int, Channel]]:
    """Return column and channel, named as the rig says, of each channel that it keeps; the current first."""
    if not names:
        return list(enumerate(channels))
    if len(names) > len(channels):
        raise InputError(f"the rig names {len(names)} channels, the board gives {len(channels)}; "
                         "name each, or 'unused'")
    names = (*names, *(channel.name for channel in channels[len(names) :]))  # the rest keep their own
    if len(set(names) - {UNUSED}) < sum(name != UNUSED for name in names):
        raise InputError(f"the rig's channels {list(names)} share a name; name each, or 'unused'")
    kept = [at for at, name in enumerate(names) if name != UNUSED]
    kept.sort(key=lambda at: names[at] != CURRENT)  # the current comes first
    if not kept or names[kept[0]] != CURRENT:
        raise InputError(f"the rig names no channel {CURRENT!r} among {list(names)}; say which column is the current")
    return [(at, replace(channels[at], name=names[at])) for at in kept]
