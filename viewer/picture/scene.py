"""The few primitives that every view is made of, in units of which one is about a pixel; y grows downward."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Anchor = Literal["start", "middle", "end"]
Face = Literal["sans", "serif"]
SANS_FACE: Face = "sans"
SERIF_FACE: Face = "serif"


@dataclass(frozen=True)
class Box:
    """A rectangle to draw in."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.top + self.height

    def inset(self, left: float = 0.0, top: float = 0.0, right: float = 0.0, bottom: float = 0.0) -> Box:
        """Return the box less margins."""
        return Box(self.left + left, self.top + top, self.width - left - right, self.height - top - bottom)


@dataclass(frozen=True, eq=False)
class Path:
    """A line through points, shape (n, 2); a point that is not finite breaks it. Closed paths may be filled."""

    points: NDArray[np.float64]
    stroke: str | None = None
    width: float = 1.0
    fill: str | None = None
    closed: bool = False
    hatch: str | None = None
    dash: tuple[float, ...] = ()
    opacity: float = 1.0


@dataclass(frozen=True)
class Rule:
    """One straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    stroke: str
    width: float = 0.8
    dash: tuple[float, ...] = ()


@dataclass(frozen=True)
class Panel:
    """A rectangle; `hatch` is the colour of hatching laid over its fill."""

    box: Box
    fill: str | None = None
    stroke: str | None = None
    width: float = 0.8
    hatch: str | None = None
    radius: float = 0.0
    opacity: float = 1.0


@dataclass(frozen=True)
class Ring:
    """A circle."""

    x: float
    y: float
    radius: float
    stroke: str | None = None
    width: float = 0.8
    fill: str | None = None
    dash: tuple[float, ...] = ()


@dataclass(frozen=True)
class Words:
    """One line of text; (x, y) is on its base line. Widths are bounded by the caller, see `measures.fit`."""

    x: float
    y: float
    text: str
    size: float
    colour: str
    anchor: Anchor = "start"
    face: Face = "sans"
    turn_deg: float = 0.0


Item = Path | Rule | Panel | Ring | Words


@dataclass
class Scene:
    """A page of items, painted in order.

    Parameters
    ----------
    width, height
        Size of the page in scene units.
    ground
        Its colour.
    title, description
        For people who cannot see it.
    """

    width: float
    height: float
    ground: str
    title: str = ""
    description: str = ""
    items: list[Item] = field(default_factory=list)

    def add(self, *items: Item | Iterable[Item]) -> None:
        """Put items, or lists of them, on top of what is there."""
        for item in items:
            if isinstance(item, Iterable):
                self.items.extend(item)
            else:
                self.items.append(item)
