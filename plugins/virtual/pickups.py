"""What the ignition pick-ups of the hardware notes put on a board's pin, as their simulated circuits do.

Constants are fitted to the netlists of ``hardware_notes/circuits`` run by ngspice; the tests run both and compare. Each
function takes the time since the spark broke down, and its breakdown voltage.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

Pickup = Literal["kilovolts", "foil", "plain", "trigger"]
PICKUPS: tuple[Pickup, ...] = ("kilovolts", "foil", "plain", "trigger")
"""An ideal probe; foil with diodes that hold the peak; foil without; the dip at a coil's trigger wire."""

SUPPLY_V = 5.0  # of the board, which clamps what comes
BURN_S = 1.29e-3  # in the netlist the spark burns so long, at a fifth of its breakdown voltage and falling
LONGEST_S = 0.02  # after which nothing is left of a pulse that is held for 4.7 ms but a hundredth
SLOW_HZ = 5000.0  # below it the notes fit the larger drain
HELD_S, HELD_LONGER_S = 1.0e-3, 4.7e-3  # 10 nF emptied by 100 kohm, by 470 kohm
RISE_S = 9e-6  # 10 kohm and 1 nF at the pin
FOIL_V_PER_KV, FOIL_LESS_V = 0.2701, 0.045  # 0.258 V/kV less 0.04 V when the pin has followed
TURNED_V_PER_KV, TURNED_LESS_V = 0.2172, 0.072  # a lead of the other polarity is held on its way back
TURNED_RISE_V_PER_S_KV = 21.0  # while it burns, the lead comes back slowly and pushes
TURNED_KICK_V_PER_KV = 0.0294  # when the spark goes out and the lead comes back to nothing
PLAIN_PEAK_V_PER_KV, PLAIN_BURN_V_PER_KV, PLAIN_AFTER_V_PER_KV = 0.108, 0.052, -0.018
PLAIN_PEAK_S, PLAIN_BURN_S = 8e-6, 0.75e-3
DIP_V, DIP_S, DIP_FALL_S = 3.92, 1.3e-3, 5e-6  # 4.7 nF through 47 and 220 kohm; the wire falls in 10 us


def pin_volts(pickup: Pickup, since_s: NDArray[np.float64], kilovolts: float, *, turned: bool = False,
              interval_s: float = 1e-4) -> NDArray[np.float64]:
    """Return the volts that a spark adds to what the pin has at rest, from its breakdown on.

    Parameters
    ----------
    pickup
        Which circuit, other than ``kilovolts``.
    since_s : ndarray, shape (n,), seconds
        Time since the breakdown, not negative.
    kilovolts
        Its voltage.
    turned
        Whether the lead has the other polarity.
    interval_s
        Of the board's samples: slow boards get the drain that holds longer.
    """
    if pickup == "trigger":
        return np.asarray(-DIP_V * np.exp(-since_s / DIP_S) * (1.0 - np.exp(-since_s / DIP_FALL_S - 1.0)))
    if pickup == "plain":
        burning = np.where(since_s < BURN_S, PLAIN_BURN_V_PER_KV * np.exp(-since_s / PLAIN_BURN_S),
                           PLAIN_AFTER_V_PER_KV * np.exp(-(since_s - BURN_S) / PLAIN_BURN_S))
        volts = kilovolts * (PLAIN_PEAK_V_PER_KV * np.exp(-since_s / PLAIN_PEAK_S) + burning)
        return np.asarray(-volts if turned else volts)
    held_s = HELD_S if interval_s <= 1.0 / SLOW_HZ else HELD_LONGER_S
    shape = _turned if turned else _upright
    return shape(since_s, kilovolts, held_s)


def _upright(since_s: NDArray[np.float64], kilovolts: float, held_s: float) -> NDArray[np.float64]:
    top = max(0.0, FOIL_V_PER_KV * kilovolts - FOIL_LESS_V)
    return np.asarray(top * (1.0 - 0.42 * np.exp(-since_s / RISE_S)) * np.exp(-since_s / held_s))


def _turned(since_s: NDArray[np.float64], kilovolts: float, held_s: float) -> NDArray[np.float64]:
    top = max(0.0, TURNED_V_PER_KV * kilovolts - TURNED_LESS_V)
    held = top * (1.0 - np.exp(-since_s / RISE_S)) * np.exp(-since_s / held_s)
    out_s = np.maximum(since_s - BURN_S, 0.0)  # since the spark went out
    pushed = TURNED_RISE_V_PER_S_KV * held_s * (1.0 - np.exp(-np.minimum(since_s, BURN_S) / held_s))
    kick = np.where(since_s >= BURN_S, TURNED_KICK_V_PER_KV, 0.0)
    return np.asarray(held + kilovolts * (pushed + kick) * np.exp(-out_s / held_s))


def at_rest(pickup: Pickup) -> float:
    """Return the pin's volts where no spark is."""
    return SUPPLY_V if pickup == "trigger" else 0.0


def joined(pickup: Pickup) -> Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]:
    """Return what becomes of a pulse on top of the last: what is held stays at the higher, all else adds up."""
    return np.maximum if pickup == "foil" else np.add
