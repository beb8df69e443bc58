"""How the whole run shares the machine."""

from __future__ import annotations

import os

import pytest


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Return the workers of ``-n auto``: three for two cores, as half of the run waits for boards in real time."""
    return max(1, (os.cpu_count() or 1) * 3 // 2)
