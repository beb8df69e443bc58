"""Air as an ideal gas, and the flow of air through a hole, against CoolProp's real gas, computed here.

Source: CoolProp (http://www.coolprop.org), air after Lemmon and others, 2000.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from crankfold.analysis.gas import nozzle_flow, volume

AIR_PA = 101_325.0


@pytest.fixture(scope="module")
def real_gas():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from CoolProp.CoolProp import PropsSI

        return PropsSI


@pytest.mark.parametrize(("bar", "kelvin"), [(1.0, 300.0), (20.0, 640.0), (35.0, 800.0)])
def test_air_is_an_ideal_gas_here(real_gas, bar: float, kelvin: float) -> None:
    """CoolProp, air (Lemmon and others, 2000): the compressibility factor along a compression is 1 within 1.5 %."""
    assert real_gas("Z", "P", bar * 1e5, "T", kelvin, "Air") == pytest.approx(1.0, abs=0.015)


def test_real_air_compressed_without_heat_comes_out_as_the_ideal_does(real_gas) -> None:
    """Peak pressure for 9.5 to 1 at constant entropy: CoolProp's real air, and Cantera's ideal air, within 1.5 %."""
    density, entropy = (real_gas(name, "P", AIR_PA, "T", 300.0, "Air") for name in ("D", "S"))
    squeeze = float(volume(np.array(-135.0), 9.5) / volume(np.array(0.0), 9.5))
    real = real_gas("P", "D", density * squeeze, "S", entropy, "Air")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import cantera as ct
    gas = ct.Solution("air.yaml")
    gas.TP = 300.0, AIR_PA
    gas.SV = gas.s, gas.v / squeeze
    assert pytest.approx(real, rel=0.015) == gas.P


def test_choked_flow_of_real_air_through_an_orifice(real_gas) -> None:
    """CoolProp: the largest flow along an isentrope from 15 bar and 560 K, within 4 % of the model's flow function.

    The model takes the polytrope's exponent, 1.3, for the nozzle, too; a discharge coefficient is no better known.
    """
    p0, t0 = 15e5, 560.0
    entropy, enthalpy = (real_gas(name, "P", p0, "T", t0, "Air") for name in ("S", "H"))
    flows = []
    for p in np.linspace(0.35, 0.75, 81) * p0:
        density, h = (real_gas(name, "P", p, "S", entropy, "Air") for name in ("D", "H"))
        flows.append(density * np.sqrt(2.0 * max(enthalpy - h, 0.0)))
    scale = p0 / np.sqrt(287.05 * t0)
    assert nozzle_flow(np.array([15.0]))[0] == pytest.approx(max(flows) / scale, rel=0.04)
