"""A scene as a PNG image, rendered with the fonts that ship with the package, so that it looks the same anywhere."""

from __future__ import annotations

from importlib import resources

from crankfold.viewer.picture import look
from crankfold.viewer.picture.scene import Scene
from crankfold.viewer.picture.svg import write_svg

FONTS = ("DejaVuSansCondensed.ttf", "DejaVuSerifCondensed-Bold.ttf")
SCALE = 1.5
"""Pixels a scene unit: sharp on a scaled screen and on paper, and still a file of some 200 kB."""


def write_png(scene: Scene, *, scale: float = SCALE) -> bytes:
    """Return the scene as the bytes of a PNG image."""
    from resvg_py import svg_to_bytes

    folder = resources.files("crankfold.viewer") / "fonts"
    files = [str(folder / name) for name in FONTS]
    image = svg_to_bytes(svg_string=write_svg(scene), zoom=scale, skip_system_fonts=True, font_files=files,
                         sans_serif_family=look.SANS, serif_family=look.SERIF, font_family=look.SANS)
    return bytes(image)
