"""An address as a code that a phone's camera reads: a QR code (ISO/IEC 18004)."""

from __future__ import annotations

from crankfold.analysis import InputError
from crankfold.viewer.words import say

QUIET = 4  # light modules that the standard wants on every side


def code_of(address: str) -> tuple[tuple[bool, ...], ...]:
    """Return the code's modules, row by row, True where dark, with the quiet zone round them.

    Raises
    ------
    InputError
        The library for it is missing.
    """
    try:
        import segno
    except ModuleNotFoundError as error:
        raise InputError(say("problem.needs_extra", package=str(error.name), extra="share")) from error
    made = segno.make(address, error="l", boost_error=True, micro=False)
    return tuple(tuple(bool(module) for module in row) for row in made.matrix_iter(border=QUIET))
