"""Compiling the model's kernels: cached on disk where there is a place to write, else in memory alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, TypeVar, cast

from numba import njit

if TYPE_CHECKING:
    from collections.abc import Callable

F = TypeVar("F", bound="Callable[..., Any]")

FAST = {"contract", "arcp", "nsz", "reassoc"}  # what may be reordered; not-a-number is kept, the solver looks for it


def compiled(*, fastmath: bool | set[str] = False, inline: Literal["never", "always"] = "never") -> Callable[[F], F]:
    """Return a decorator that compiles a function on its first call.

    The cache lies beside the module or in the user's cache folder; where neither can be written, every process
    compiles for itself, which takes half a minute but gives the same numbers.

    Parameters
    ----------
    fastmath, inline
        As the compiler takes them.
    """

    def decorate(function: F) -> F:
        try:
            return cast("F", njit(cache=True, error_model="numpy", fastmath=fastmath, inline=inline)(function))
        except RuntimeError:  # no place for the cache
            return cast("F", njit(error_model="numpy", fastmath=fastmath, inline=inline)(function))

    return decorate
