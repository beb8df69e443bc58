"""Capture files of this program."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.acquire.files import capture_image

if TYPE_CHECKING:
    from crankfold.analysis import Capture


def image(capture: Capture) -> tuple[bytes, list[str]]:
    """Return the bytes of the file; nothing is lost."""
    return capture_image(capture), []
