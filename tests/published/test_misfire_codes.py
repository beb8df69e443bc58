"""Misfire codes.

Source: SAE J2012 / ISO 15031-6: P0300 random, P0301 to P0312 cylinders 1 to 12. That they count in decimal, so that
P0310 is cylinder ten, is a value from memory.
"""

from __future__ import annotations

import pytest

from crankfold.analysis import coded_cylinder


@pytest.mark.parametrize(("code", "cylinder"), [
    ("P0300", None), ("P0301", 1), ("P0302", 2), ("P0309", 9), ("P0310", 10), ("P0311", 11), ("P0312", 12),
])
def test_codes_name_cylinders(code, cylinder):
    assert coded_cylinder(code) == cylinder
