"""Misfire codes beside the finding: they agree, contradict or hint, but never name a cylinder by themselves."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from crankfold.analysis.errors import InputError, quoted
from crankfold.analysis.result import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.analysis.engine import Engine
    from crankfold.analysis.result import Cylinder

HIGHEST = 12  # P0301..P0312 are cylinders 1..12, decimal


def coded_cylinder(code: str) -> int | None:
    """Return the cylinder that a misfire code names, None for P0300 (random).

    Raises
    ------
    InputError
        It is not one of P0300 to P0312.
    """
    match = re.fullmatch(r"P03(\d\d)", code.strip().upper())
    if match is None or int(match[1]) > HIGHEST:
        raise InputError(f"misfire code {quoted(code)} is not one of P0300 (random) or P0301 to P0312 (cylinders "
                         "1 to 12)")
    return int(match[1]) or None


def misfire_notices(codes: Sequence[str], engine: Engine,
                    cylinders: Sequence[Cylinder]) -> tuple[tuple[Notice, ...], tuple[Notice, ...]]:
    """Return notes and cautions about misfire codes beside the cylinders' states.

    Parameters
    ----------
    codes
        Such as ``P0302``.
    engine
        The codes must name its cylinders.
    cylinders
        The answers, named or not; empty when there is no verdict.

    Raises
    ------
    InputError
        A code is none, or names a cylinder the engine lacks.
    """
    named = tuple(sorted({c for c in map(coded_cylinder, codes) if c is not None}))
    for cylinder in named:
        engine.position_of(cylinder)
    if not codes or not cylinders:
        return (), ()
    text = ", ".join(sorted({c.strip().upper() for c in codes}))
    if not named:
        return (Notice("code-random", {"codes": text}),), ()
    down = [c for c in cylinders if c.state in ("low", "dead")]
    low = tuple(sorted(c.cylinder for c in down if c.cylinder is not None))
    if down and len(low) < len(down):
        return (Notice("code-hint", {"codes": text, "coded": named}),), ()
    if set(named) & set(low):
        return (Notice("code-agrees", {"codes": text, "cylinders": tuple(sorted(set(named) & set(low)))}),), ()
    return (), (Notice("code-contradicts", {"codes": text, "coded": named, "cylinders": low}),)
