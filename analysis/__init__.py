"""From a capture to a result: pure functions on arrays, needing numpy, scipy and numba only.

``crankfold.analysis.pipeline.analyse(capture, engine)`` is the one way in; `Capture`, `Engine` and `Result` are what it
takes and gives. (It is not offered here, where its module has the name already.)
Names are loaded on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crankfold.analysis.answer.verdict import Thresholds
    from crankfold.analysis.capture import Capture, Channel, Gap
    from crankfold.analysis.engine import Engine, SyncSpec
    from crankfold.analysis.errors import InputError
    from crankfold.analysis.result import Cylinder, Notice, Result

__all__ = ["Capture", "Channel", "Cylinder", "Engine", "Gap", "InputError", "Notice", "Result", "SyncSpec",
           "Thresholds"]

_HOME = {
    "Capture": "capture", "Channel": "capture", "Gap": "capture", "Engine": "engine", "SyncSpec": "engine",
    "InputError": "errors", "Cylinder": "result", "Notice": "result", "Result": "result",
    "Thresholds": "answer.verdict",
}


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
