"""Compiling the virtual engine: kept on disk where there is a place, and never stopped by what lies there."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, TypeVar, cast

from numba import njit

if TYPE_CHECKING:
    from collections.abc import Callable

F = TypeVar("F", bound="Callable[..., Any]")


def compiled(function: F) -> F:
    """Return a function that compiles itself when it is first called.

    What is compiled is kept beside the module or in the user's cache folder. Where neither can be written, each process
    compiles for itself; what was kept and is damaged, locked or of another version is compiled and kept again.
    """
    try:
        kernel: Any = njit(cache=True, error_model="numpy")(function)
    except RuntimeError:  # no place to keep it
        return cast("F", njit(error_model="numpy")(function))
    kernel._cache = _Forgiving(kernel._cache)
    return cast("F", kernel)


class _Forgiving:
    """The compiler's own store, whose faults cost time only."""

    def __init__(self, store: Any) -> None:
        self._store = store

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def load_overload(self, signature: Any, context: Any) -> Any:
        """Return what was compiled, None where it has to be compiled anew."""
        try:
            return self._store.load_overload(signature, context)
        except Exception:
            with contextlib.suppress(Exception):
                self._store.flush()  # or what is compiled now could not be added to it
            return None

    def save_overload(self, signature: Any, data: Any) -> None:
        """Keep what was compiled, if that can be done."""
        with contextlib.suppress(Exception):  # a full disk, a file that another program holds
            self._store.save_overload(signature, data)
