"""Copper conductors as shunts, against IEC 60228 and against cable arithmetic done by hand."""

from __future__ import annotations

import pytest

from crankfold.acquire import Probe
from crankfold.acquire.rig.probe import cable_resistance_ohm

# IEC 60228, maximum resistance at 20 degrees C, ohm/km, plain copper.
CLASS_5 = {10: 1.91, 16: 1.21, 25: 0.780, 35: 0.554, 50: 0.386, 70: 0.272, 95: 0.206}
CLASS_2 = {10: 1.83, 16: 1.15, 25: 0.727, 35: 0.524, 50: 0.387, 70: 0.268, 95: 0.193}


@pytest.mark.parametrize(("conductor_class", "table"), [(5, CLASS_5), (2, CLASS_2)])
def test_the_table(conductor_class, table) -> None:
    for area, ohm_per_km in table.items():
        assert cable_resistance_ohm(area, 1.0, conductor_class=conductor_class) * 1000 == pytest.approx(ohm_per_km)


@pytest.mark.parametrize("copper_c", [-20.0, 0.0, 20.0, 60.0, 90.0])
def test_the_temperature_factor(copper_c) -> None:
    # IEC 60228: R20 = Rt * 254.5 / (234.5 + t), which is also 1 / (1 + 0.00393 (t - 20)).
    ratio = cable_resistance_ohm(25, 1.0, copper_c=copper_c) / cable_resistance_ohm(25, 1.0)
    assert ratio == pytest.approx((234.5 + copper_c) / 254.5)
    assert ratio == pytest.approx(1 + 0.00393 * (copper_c - 20), rel=1e-4)


def test_copper_reads_16_percent_more_at_60_than_at_20() -> None:
    ratio = cable_resistance_ohm(25, 0.5, copper_c=60.0) / cable_resistance_ohm(25, 0.5)
    assert round(100 * (ratio - 1)) == 16  # computed from the factor above


@pytest.mark.parametrize(("area", "millivolts"), [(16, 90.75), (25, 58.5), (35, 41.55), (50, 28.95)])
def test_half_a_metre_at_150_amperes(area, millivolts) -> None:
    # Computed by hand from the class 5 column: 0.5 m * 150 A * ohm/km.
    probe = Probe.parse(f"{area}mm2:0.5m@20C")
    assert probe.per_ampere is not None
    assert probe.per_ampere * 150 * 1000 == pytest.approx(millivolts)


def test_a_cable_on_a_coarse_board_is_12_amperes_a_count() -> None:
    # Computed: 5 V / 1024 over 0.39 mohm.
    probe = Probe.parse("counts:5V/10bit,25mm2:0.5m@20C")
    assert probe.per_ampere is not None
    assert probe.volts_per_count is not None
    assert probe.volts_per_count / probe.per_ampere == pytest.approx(12.5, abs=0.05)
