"""What is to be done before anybody cranks, as it depends on what the second channel listens to and on the fuel."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.analysis import SyncSpec

IGNITION = {"waste-spark": "alive", "single-spark": "alive", "cam": "coils_off", "pressure": "off",
            "plug-out": "plug_out"}


def checks(sync: SyncSpec | None, *, fuel: str = "") -> tuple[str, ...]:
    """Return the sentences of the checklist, in the order in which things are done.

    Parameters
    ----------
    sync
        What the second channel marks.
    fuel
        ``spark``, ``diesel``, or empty when nobody said.
    """
    kind = "none" if sync is None else sync.kind
    diesel = fuel == "diesel"
    lines = ["brake", "fuel_diesel" if diesel else "fuel"]
    if not (diesel and kind in ("none", "cam")):
        lines.append(f"ignition_{IGNITION.get(kind, 'none')}")
    if kind in ("pressure", "plug-out"):
        lines.append("open_hole")
    lines += ["clamp", "throttle_diesel" if diesel else "throttle", "hands", "limit"]
    cylinder = 0 if sync is None else sync.cylinder
    return tuple(say(f"window.check.{line}", cylinder=cylinder) for line in lines)


@dataclass(frozen=True)
class Checklist:
    """A checklist being ticked from top to bottom.

    Parameters
    ----------
    lines
        What is to be done.
    done
        How many are ticked.
    """

    lines: tuple[str, ...]
    done: int = 0

    @property
    def complete(self) -> bool:
        """Whether all is ticked."""
        return self.done >= len(self.lines)

    def ticked(self) -> Checklist:
        """Return the list with the next line ticked."""
        return replace(self, done=min(self.done + 1, len(self.lines)))

    def unticked(self) -> Checklist:
        """Return the list with the last tick taken back."""
        return replace(self, done=max(self.done - 1, 0))
