"""Misfire codes beside the finding."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.analysis import Engine, InputError, Thresholds, coded_cylinder
from crankfold.analysis.answer import judge, misfire_notices

FOUR = Engine((1, 3, 4, 2))


def found(codes, low, *, named=True):
    relative = np.array([40.0 if c in low else 98.0 for c in FOUR.firing_order])
    numbers = FOUR.firing_order if named else (None,) * 4
    cylinders = judge(relative, np.column_stack((relative,) * 2), numbers, Thresholds())[1]
    return misfire_notices(codes, FOUR, cylinders)


def said(codes, low, *, named=True):
    notes, cautions = found(codes, low, named=named)
    return [n.code for n in notes], [c.code for c in cautions]


@pytest.mark.parametrize(("codes", "low", "named", "notes", "cautions"), [
    (("P0302",), (2,), True, ["code-agrees"], []),
    (("P0302", "P0304"), (2,), True, ["code-agrees"], []),
    (("P0302",), (3,), True, [], ["code-contradicts"]),
    (("P0302",), (), True, [], ["code-contradicts"]),
    (("p0302",), (2,), False, ["code-hint"], []),
    (("P0300",), (2,), True, ["code-random"], []),
    ((), (2,), True, [], []),
])
def test_codes_agree_contradict_or_hint(codes, low, named, notes, cautions):
    assert said(codes, low, named=named) == (notes, cautions)


def test_what_is_said_of_them():
    """Each code once, in order; of those that agree the cylinders that are both coded and low."""
    ((agrees,), _) = found(("p0304", "P0302", "P0302 "), (2, 3))
    assert agrees.facts == {"codes": "P0302, P0304", "cylinders": (2,)}
    (_, (against,)) = found(("P0304", "P0302"), (1, 3))
    assert against.facts == {"codes": "P0302, P0304", "coded": (2, 4), "cylinders": (1, 3)}
    ((hint,), _) = found(("P0304", "P0300"), (2,), named=False)
    assert hint.facts == {"codes": "P0300, P0304", "coded": (4,)}
    ((random,), _) = found(("P0300",), (2,))
    assert random.facts == {"codes": "P0300"}


@pytest.mark.parametrize(("code", "cylinder"), [("P0300", None), ("P0301", 1), (" p0309", 9), ("P0312", 12)])
def test_the_cylinder_of_a_code(code, cylinder):
    assert coded_cylinder(code) == cylinder


@pytest.mark.parametrize("code", ["P0313", "P0402", "0302", "P03", "two", ""])
def test_other_codes_are_refused(code):
    with pytest.raises(InputError, match="P0301 to P0312"):
        coded_cylinder(code)


def test_a_code_for_a_cylinder_the_engine_lacks_is_refused():
    with pytest.raises(InputError, match="no cylinder 6"):
        misfire_notices(("P0306",), FOUR, ())
