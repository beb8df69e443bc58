"""Calls that a source must refuse."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.acquire.testing.outcome import RuleBrokenError

if TYPE_CHECKING:
    from collections.abc import Callable


def must_refuse(call: Callable[[], object], what: str) -> None:
    """Raise `RuleBrokenError` unless the call raises the RuntimeError that means: not now."""
    try:
        call()
    except RuntimeError:
        return
    except Exception as error:
        raise RuleBrokenError(f"{what} raised a {type(error).__name__}, not a RuntimeError: {error}") from error
    raise RuleBrokenError(f"{what} was not refused")
