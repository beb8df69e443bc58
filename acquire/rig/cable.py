"""The resistance of a stretch of copper cable, so that it can serve as a shunt.

IEC 60228, maximum resistance of plain copper conductors at 20 degrees C, and its temperature correction.
"""

from __future__ import annotations

from crankfold.analysis import InputError

OHM_PER_KM = {  # IEC 60228: class 5 flexible, class 2 stranded
    5: {10.0: 1.91, 16.0: 1.21, 25.0: 0.780, 35.0: 0.554, 50.0: 0.386, 70.0: 0.272, 95.0: 0.206},
    2: {10.0: 1.83, 16.0: 1.15, 25.0: 0.727, 35.0: 0.524, 50.0: 0.387, 70.0: 0.268, 95.0: 0.193},
}
MIN_LENGTH_M, MAX_LENGTH_M = 0.02, 20.0  # shorter: the contacts count for more; longer: no vehicle's battery cable
MIN_COPPER_C, MAX_COPPER_C = -50.0, 150.0  # outside, the insulation has failed before


def cable_resistance_ohm(area_mm2: float, length_m: float, *, copper_c: float = 20.0,
                         conductor_class: int = 5) -> float:
    """Return the resistance of a length of battery cable, ohms.

    Parameters
    ----------
    area_mm2
        Nominal cross-section, one of the table's.
    length_m
        Between the two taps.
    copper_c
        Temperature of the copper, degrees C.
    conductor_class
        5, flexible, or 2, stranded.

    Raises
    ------
    InputError
        Not in the table, or a length or temperature that cannot be.
    """
    table = OHM_PER_KM.get(conductor_class)
    if table is None:
        raise InputError(f"conductor class {conductor_class} is not known; "
                         "battery cable is class 5, or class 2 if stiff")
    if area_mm2 not in table:
        raise InputError(f"cable of {area_mm2:g} mm2 is not in the table; "
                         f"there are {', '.join(f'{a:g}' for a in table)} mm2")
    if not MIN_LENGTH_M <= length_m <= MAX_LENGTH_M:
        raise InputError(f"a stretch of {length_m:g} m of cable cannot serve; "
                         f"use {MIN_LENGTH_M:g} to {MAX_LENGTH_M:g} m")
    if not MIN_COPPER_C <= copper_c <= MAX_COPPER_C:
        raise InputError(f"copper at {copper_c:g} degrees C cannot be; give its temperature, such as 20C")
    warmer = (234.5 + copper_c) / 254.5  # 1 / k, IEC 60228 annex B: R(t) = R20 * (234.5 + t) / 254.5
    return table[area_mm2] * 1e-3 * length_m * warmer
