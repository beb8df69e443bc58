"""Numbers of any kind as float64, or one sentence why not: nothing of them is dropped on the way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.analysis.errors import InputError, quoted

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST = 1e100  # in any unit; squares of larger numbers overflow


def numbers(given: Any, what: str) -> NDArray[np.float64]:
    """Return numbers as a new float64 array, shape as given; masked and missing ones as NaN.

    Integers, read-only, strided, and what says itself that it is an array (pandas, xarray) are taken as they are.

    Parameters
    ----------
    given : array_like
        The numbers.
    what
        What they are, for the message.

    Raises
    ------
    InputError
        They are no numbers, complex, ragged, or too large to calculate with.
    """
    mask = np.ma.getmaskarray(given) if isinstance(given, np.ma.MaskedArray) else None
    plain = _plain(np.ma.getdata(given) if mask is not None else given, what)
    if plain.dtype.kind == "c":
        raise InputError(f"{what} has complex numbers; give their real part, or what else you mean")
    if plain.dtype.kind not in "biufO":
        raise InputError(f"{what} is {quoted(plain.dtype.name)}; give numbers")
    try:
        made = np.array(plain, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise InputError(f"{what} holds something that isn't a number ({quoted(str(error))}); give numbers") from error
    if mask is not None:
        made[mask] = np.nan
    finite = np.abs(made[np.isfinite(made)])
    if finite.size and finite.max() > MOST:
        raise InputError(f"{what} holds {finite.max():g}; no such quantity is that large, check its unit")
    return made


def _plain(given: Any, what: str) -> NDArray[Any]:
    """Return an array of the numbers' own kind; objects are looked at one by one later."""
    if isinstance(given, str | bytes) or given is None:
        raise InputError(f"{what} is {quoted(given)}; give numbers")
    try:
        made = np.asarray(given)
        if made.dtype.kind == "O":
            made = np.asarray([_number(item, what) for item in made.reshape(-1)]).reshape(made.shape)
    except (TypeError, ValueError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{what} isn't an array of numbers ({quoted(str(error))})") from error
    return made


def _number(item: Any, what: str) -> float:
    if item is None or type(item).__name__ in ("NAType", "NaTType"):
        return float("nan")
    if isinstance(item, complex | np.complexfloating):
        raise InputError(f"{what} has complex numbers; give their real part, or what else you mean")
    if isinstance(item, str | bytes) or not hasattr(item, "__float__"):
        raise InputError(f"{what} holds {quoted(item)}, which isn't a number; give numbers")
    return float(item)
