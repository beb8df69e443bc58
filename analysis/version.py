"""The version of this program, as it was installed."""

from __future__ import annotations

from importlib.metadata import version

__version__ = version("crankfold")
