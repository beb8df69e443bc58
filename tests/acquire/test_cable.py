"""A battery cable as a shunt: what can be one, and what is said of what cannot."""

from __future__ import annotations

import pytest

from crankfold.acquire.rig.probe import cable_resistance_ohm
from crankfold.analysis import InputError


def test_resistance_goes_with_length_and_is_of_flexible_copper_at_20_degrees_unless_said() -> None:
    assert cable_resistance_ohm(25.0, 0.5) == pytest.approx(0.390e-3)
    assert cable_resistance_ohm(25.0, 2.0, copper_c=20.0, conductor_class=5) == pytest.approx(1.560e-3)


@pytest.mark.parametrize("length_m", [0.02, 20.0])
@pytest.mark.parametrize("copper_c", [-50.0, 150.0])
def test_the_ends_of_what_can_be(length_m, copper_c) -> None:
    assert cable_resistance_ohm(10.0, length_m, copper_c=copper_c) > 0.0


@pytest.mark.parametrize(("area_mm2", "length_m", "copper_c", "conductor_class", "said"), [
    (25.0, 1.0, 20.0, 4, "conductor class 4 is not known; battery cable is class 5, or class 2 if stiff"),
    (24.0, 1.0, 20.0, 5, "cable of 24 mm2 is not in the table; there are 10, 16, 25, 35, 50, 70, 95 mm2"),
    (25.0, 0.019, 20.0, 5, "a stretch of 0.019 m of cable is unsuitable; use 0.02 to 20 m"),
    (25.0, 20.1, 20.0, 5, "a stretch of 20.1 m of cable is unsuitable"),
    (25.0, float("nan"), 20.0, 5, "a stretch of nan m of cable is unsuitable"),
    (25.0, 1.0, -51.0, 5, "copper at -51 degrees C isn't possible; give its temperature, such as 20C"),
    (25.0, 1.0, 151.0, 5, "copper at 151 degrees C isn't possible")])
def test_what_cannot_be_is_said(area_mm2, length_m, copper_c, conductor_class, said) -> None:
    with pytest.raises(InputError) as error:
        cable_resistance_ohm(area_mm2, length_m, copper_c=copper_c, conductor_class=conductor_class)
    assert said in str(error.value)
