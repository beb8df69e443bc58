"""Limits under which hostile input is tried."""

from __future__ import annotations

import resource
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOM_BYTES = 3 << 30


@pytest.fixture
def little_memory() -> Iterator[None]:
    """Leave room for three gigabytes more than what is in use, so that a lie about a size fails and does not swap."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + ROOM_BYTES, hard))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # libraries warn as they like of files that are not theirs
            yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
