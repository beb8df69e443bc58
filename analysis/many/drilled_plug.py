"""What a hole of known size does to a cylinder: graded leaks for a validation on a real engine.

The leak table of the gas model with its orifice strength put into millimetres: a hole loses ``Cd * A * sqrt(R * T)``
volumes a second at unit pressure, temperature and flow function.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from crankfold.analysis.errors import InputError
from crankfold.analysis.many.gauge_speed import LEAKS, LOSS_RPM, healthy_leak, peaks

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

DISCHARGE = 0.75  # of a short drilled hole, choked for most of the time: 0.7 to 0.85 (handbooks; value from memory)
GAS_J_PER_KG_K, CHARGE_K = 287.05, 300.0  # dry air; the charge at closing, in a cold engine


def percent_with_hole(diameter_mm: ArrayLike, *, displaced_cm3: float, rpm: float,
                      ratio: float = 9.5) -> NDArray[np.float64]:
    """Return what is left of the peak gauge pressure with a hole of `diameter_mm`, percent of the same cylinder tight.

    Parameters
    ----------
    displaced_cm3
        Of one cylinder.
    rpm
        Of the crank.
    ratio
        Effective compression ratio.

    Raises
    ------
    InputError
        A size or speed cannot be.

    >>> percent_with_hole([0.0, 1.0, 2.0], displaced_cm3=400.0, rpm=200.0).round().tolist()
    [100.0, 85.0, 55.0]
    """
    holes = np.asarray(diameter_mm, dtype=np.float64)
    if not (np.all(holes >= 0.0) and displaced_cm3 > 0.0 and rpm > 0.0 and ratio > 1.0):
        raise InputError("hole, displacement, speed and ratio must be above zero; give millimetres, cm3 and rpm")
    pressures = peaks(ratio)
    tight = healthy_leak(ratio) * LOSS_RPM / rpm
    turn = rpm * math.pi / 30.0
    area = DISCHARGE * math.pi / 4.0 * (holes * 1e-3) ** 2
    strength = tight + area * math.sqrt(GAS_J_PER_KG_K * CHARGE_K) / (displaced_cm3 * 1e-6 * turn)
    out: NDArray[np.float64] = 100.0 * np.interp(strength, LEAKS, pressures) / np.interp(tight, LEAKS, pressures)
    return out
