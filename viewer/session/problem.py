"""What went wrong, as what happened and what to do about it."""

from __future__ import annotations

from crankfold.acquire import AcquireError
from crankfold.viewer.words import worded


def said(error: BaseException) -> str:
    """Return an error that nobody expected, on one line."""
    return " ".join(f"{type(error).__name__}: {error}".split())


def clauses(error: BaseException) -> tuple[str, str]:
    """Return what happened and what to do, of an error that knows both or of any other."""
    if isinstance(error, AcquireError):
        return worded(error.what), worded(error.remedy)
    return worded(error) or type(error).__name__, ""
