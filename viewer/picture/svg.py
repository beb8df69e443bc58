"""A scene as an SVG document: small, self-contained, without scripts, with every text escaped."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

from crankfold.viewer.picture import look
from crankfold.viewer.picture.scene import Item, Panel, Path, Ring, Rule, Scene, Words

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STEPS = 10  # coordinates are kept to a tenth of a unit


def write_svg(scene: Scene, *, prefix: str = "") -> str:
    """Return the scene as the text of an SVG document; `prefix` keeps ids apart when several share one page.

    Without a prefix it is a page of its own, which a browser shows no larger than its window.
    """
    hatches = {colour: f"{prefix}hatch{i}" for i, colour in enumerate(_hatch_colours(scene))}
    body = "\n".join(_element(item, hatches) for item in scene.items)
    alone = f' style="max-width:100%;max-height:100%;background:{scene.ground}"'
    patterns = "".join(
        f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="2" height="6" fill="{colour}"/></pattern>' for colour, name in hatches.items())
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {scene.width:g} {scene.height:g}" '
            f'width="{scene.width:g}" height="{scene.height:g}"{"" if prefix else alone} role="img">\n'
            f"<title>{clean(scene.title)}</title>\n<desc>{clean(scene.description)}</desc>\n"
            f"<defs>{patterns}</defs>\n"
            f'<rect width="{scene.width:g}" height="{scene.height:g}" fill="{scene.ground}"/>\n{body}\n</svg>\n')


def clean(text: str) -> str:
    """Return text fit for XML: escaped, and without the control characters that XML forbids."""
    allowed = (c if c in "\t\n" or (ord(c) >= 32 and not 0x7F <= ord(c) < 0xA0 and not 0xD800 <= ord(c) < 0xE000
                                    and ord(c) not in (0xFFFE, 0xFFFF)) else " " for c in text)
    return escape("".join(allowed))


def _hatch_colours(scene: Scene) -> list[str]:
    found = (item.hatch for item in scene.items if isinstance(item, Path | Panel) and item.hatch)
    return sorted(set(found))


def _element(item: Item, hatches: dict[str, str]) -> str:
    if isinstance(item, Path):
        return _path(item, hatches)
    if isinstance(item, Rule):
        return (f'<path d="M{_n(item.x1)} {_n(item.y1)}L{_n(item.x2)} {_n(item.y2)}"'
                f"{_line(item.stroke, item.width, item.dash)}/>")
    if isinstance(item, Panel):
        return _panel(item, hatches)
    if isinstance(item, Ring):
        return (f'<circle cx="{_n(item.x)}" cy="{_n(item.y)}" r="{_n(item.radius)}" fill="{item.fill or "none"}"'
                f"{_line(item.stroke, item.width, item.dash)}/>")
    return _words(item)


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _line(stroke: str | None, width: float, dash: tuple[float, ...] = ()) -> str:
    if stroke is None:
        return ""
    dashes = f' stroke-dasharray="{" ".join(_n(d) for d in dash)}"' if dash else ""
    return f' stroke="{stroke}" stroke-width="{width:g}"{dashes}'


def _path(item: Path, hatches: dict[str, str]) -> str:
    d = "".join(_run(run, closed=item.closed) for run in _runs(item.points))
    seen = f' opacity="{item.opacity:g}"' if item.opacity < 1.0 else ""
    outline = _line(item.stroke, item.width, item.dash) + ' stroke-linejoin="round"' + seen
    drawn = f'<path d="{d}" fill="{item.fill or "none"}"{outline}/>'
    if item.hatch:
        drawn += f'<path d="{d}" fill="url(#{hatches[item.hatch]})"{seen}/>'
    return drawn


def _panel(item: Panel, hatches: dict[str, str]) -> str:
    box = item.box
    round_ = f' rx="{_n(item.radius)}"' if item.radius else ""
    seen = f' opacity="{item.opacity:g}"' if item.opacity < 1.0 else ""
    shape = (f'<rect x="{_n(box.left)}" y="{_n(box.top)}" width="{_n(max(box.width, 0.0))}" '
             f'height="{_n(max(box.height, 0.0))}"{round_}{seen}')
    drawn = f'{shape} fill="{item.fill or "none"}"{_line(item.stroke, item.width)}/>'
    if item.hatch:
        drawn += f'{shape} fill="url(#{hatches[item.hatch]})"/>'
    return drawn


def _words(item: Words) -> str:
    stack = look.SANS_STACK if item.face == "sans" else look.SERIF_STACK
    weight = "" if item.face == "sans" else ' font-weight="700"'
    anchor = "" if item.anchor == "start" else f' text-anchor="{item.anchor}"'
    turn = f' transform="rotate({_n(item.turn_deg)} {_n(item.x)} {_n(item.y)})"' if item.turn_deg else ""
    return (f'<text x="{_n(item.x)}" y="{_n(item.y)}" font-family="{stack}"{weight} font-size="{item.size:g}" '
            f'font-stretch="condensed" fill="{item.colour}"{anchor}{turn}>{clean(item.text)}</text>')


def _runs(points: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    finite = np.isfinite(points).all(axis=1)
    if finite.all():
        return [points] if len(points) > 1 else []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], finite.astype(np.int8), [0]))))
    return [points[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


def _run(points: NDArray[np.float64], *, closed: bool) -> str:
    grid = np.rint(points * _STEPS).astype(np.int64)
    steps = np.diff(grid, axis=0)
    start = f"M{_tenths(int(grid[0, 0]))} {_tenths(int(grid[0, 1]))}l"
    flat = steps[(steps != 0).any(axis=1)].ravel().tolist()
    return start + " ".join(map(_tenths, flat)).replace(" -", "-") + ("z" if closed else "")


def _tenths(value: int) -> str:
    whole, part = divmod(abs(value), _STEPS)
    sign = "-" if value < 0 else ""
    if not part:
        return f"{sign}{whole}"
    return f"{sign}{whole or ''}.{part}"
