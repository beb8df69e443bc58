"""The torque of one cylinder's gas on the crank, as a family of curves by what is left of its peak pressure.

A slider-crank closes a polytropic charge from `CLOSE_DEG` to `OPEN_DEG` about compression TDC. A cylinder that leaks
loses mass through an orifice, so that its hump is lower, earlier and narrower and pushes back less after TDC. **One
number** a cylinder remains, its peak gauge pressure relative to a healthy one, and the curve at 1 peaks at 1.

Pressures are in atmospheres, volumes in displaced volumes. The formulas are the slider-crank volume, the polytrope
and one-dimensional isentropic nozzle flow, as any text on engines has them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

CRANK_TO_ROD = 0.3  # rods are 3 to 4 crank radii long; torque hardly minds
POLYTROPE = 1.3  # air of a slow, cold, wet compression
CLOSE_DEG = -135  # effective closing of the intake at cranking speed
OPEN_DEG = 130  # effective opening of the exhaust
HEALTHY_LOSS = 0.05  # of the charge, past rings and valves by TDC, at cranking speed
RATIOS = np.array([6.0, 7.5, 9.5, 12.0, 15.0, 20.0])  # effective compression ratios, petrol to diesel
PEAKS = np.array([0.0, 0.04, 0.1, 0.18, 0.28, 0.38, 0.48, 0.58, 0.68, 0.78, 0.87, 0.95, 1.0, 1.12])
STEPS_PER_DEG = 2
LEAKS = np.concatenate(([0.0], np.geomspace(3e-4, 1.2, 47)))  # orifice strengths, tight to wide open

FLOW_PRESSURES = np.concatenate((np.geomspace(1e-3, 1.0, 200), np.linspace(1.0, 2.0, 400)[1:]))  # choked beyond

LEAD_RATIO = 10.0  # of an ordinary engine; the lead hardly minds
LEAD_LEAST_PERCENT = 5.0  # below it there is hardly a peak

FIRST_DEG = CLOSE_DEG - 1  # the tables begin and end one degree outside, at zero
ANGLES_DEG = np.arange(FIRST_DEG, OPEN_DEG + 2, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class GasTable:
    """Torque by compression ratio, peak and angle.

    Parameters
    ----------
    torque : ndarray, shape (ratios, peaks, angles)
        Positive where it holds the crank back; at peak 1 its largest value is 1.
    ratios, peaks, angles_deg : ndarray
        The nodes. Angles are one degree apart, 0 is compression TDC.
    """

    torque: NDArray[np.float64]
    ratios: NDArray[np.float64]
    peaks: NDArray[np.float64]
    angles_deg: NDArray[np.float64]


def volume(angle_deg: NDArray[np.float64], ratio: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cylinder's volume in displaced volumes, 0 degrees at TDC."""
    a = np.radians(angle_deg)
    rise = 1.0 - np.cos(a) + (1.0 - np.sqrt(1.0 - (CRANK_TO_ROD * np.sin(a)) ** 2)) / CRANK_TO_ROD
    out: NDArray[np.float64] = 1.0 / (np.asarray(ratio) - 1.0) + 0.5 * rise
    return out


def volume_slope(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the change of volume with angle, displaced volumes a radian."""
    a = np.radians(angle_deg)
    sine, cosine = np.sin(a), np.cos(a)
    out: NDArray[np.float64] = 0.5 * sine * (1.0 + CRANK_TO_ROD * cosine / np.sqrt(1.0 - (CRANK_TO_ROD * sine) ** 2))
    return out


def nozzle_flow(pressure: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the flow function of an orifice to 1 atm: positive outward, choked above the critical ratio."""
    g = POLYTROPE
    critical = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    up, down = np.maximum(pressure, 1.0), np.minimum(pressure, 1.0)
    x = np.maximum(down / up, critical)
    flow = np.sqrt(np.maximum(2.0 * g / (g - 1.0) * (x ** (2.0 / g) - x ** ((g + 1.0) / g)), 0.0))
    out: NDArray[np.float64] = np.where(pressure >= 1.0, flow, -flow / np.maximum(pressure, 1e-3))
    return out


def leaking_pressure(ratio: float, leak: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return absolute pressure through the closed part at whole degrees, shape (leaks, closed degrees), atmospheres.

    Parameters
    ----------
    ratio
        Geometric compression ratio.
    leak : ndarray, shape (leaks,)
        Orifice strength: mass lost a radian at unit pressure, temperature and flow function, in charges.
    """
    out: NDArray[np.float64] = leaking_pressures(np.array([ratio]), leak)[0]
    return out


def leaking_pressures(ratios: NDArray[np.float64], leak: NDArray[np.float64],
                      slowness: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Return absolute pressures for several compression ratios, shape (ratios, leaks, closed degrees), atmospheres.

    Parameters
    ----------
    slowness : ndarray, shape (closed degrees,)
        Time the crank takes for a degree, over its mean; None: a steady speed. A leak has more time where it is slow.
    """
    angle = np.arange(CLOSE_DEG, OPEN_DEG + 1e-9, 1.0 / STEPS_PER_DEG)
    slow = np.ones(len(angle)) if slowness is None else np.interp(angle, ANGLES_DEG[1:-1], slowness)
    v = volume(angle[:, None, None], ratios[None, :, None])
    squeeze, lost = v[0] / v, np.radians(1.0 / STEPS_PER_DEG) * leak / v[0]
    flows = nozzle_flow(FLOW_PRESSURES)
    mass = np.ones((len(ratios), len(leak)))
    out = np.empty((len(ratios), len(leak), len(angle)))
    for k, squeezed in enumerate(squeeze):
        density = mass * squeezed
        p = density**POLYTROPE
        out[..., k] = p
        # pressure over the root of temperature, which is pressure over density
        mass = np.maximum(mass - slow[k] * lost * np.sqrt(p * density) * np.interp(p, FLOW_PRESSURES, flows), 1e-6)
    return out[..., ::STEPS_PER_DEG]


@cache
def peak_lead() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how early a leaking cylinder's pressure peaks: percent of the tight peak, rising, and degrees before TDC.

    The more is lost on the way, the earlier what is left begins to fall.
    """
    gauge = leaking_pressure(LEAD_RATIO, LEAKS) - 1.0
    percent = 100.0 * gauge.max(axis=1) / gauge[0].max()
    lead = -(CLOSE_DEG + gauge.argmax(axis=1)).astype(np.float64)
    kept = percent >= LEAD_LEAST_PERCENT
    return percent[kept][::-1], lead[kept][::-1]


def gas_torque(pressure: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return torque against the crank at `ANGLES_DEG` from pressures through the closed part, zero outside it."""
    closed = ANGLES_DEG[1:-1]
    torque = -(pressure - 1.0) * volume_slope(closed)
    return np.concatenate((np.zeros((*pressure.shape[:-1], 1)), torque, np.zeros((*pressure.shape[:-1], 1))), axis=-1)


def _leak_curves(pressure: NDArray[np.float64]) -> NDArray[np.float64]:
    gauge = pressure.max(axis=1) - 1.0
    return _at_peaks(gas_torque(pressure), gauge / (_healthy(pressure).max() - 1.0))


def _healthy(pressure: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the pressure of a cylinder that has lost `HEALTHY_LOSS` of its charge at TDC."""
    left = (pressure[:, -CLOSE_DEG] / pressure[0, -CLOSE_DEG]) ** (1.0 / POLYTROPE)
    k = int(np.flatnonzero(left <= 1.0 - HEALTHY_LOSS)[0])
    share = (left[k - 1] - 1.0 + HEALTHY_LOSS) / (left[k - 1] - left[k])
    out: NDArray[np.float64] = pressure[k - 1] * (1.0 - share) + pressure[k] * share
    return out


def _at_peaks(torque: NDArray[np.float64], peak: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return torque curves at `PEAKS` from curves at falling `peak`; scaled beyond either end."""
    order = np.argsort(peak)
    peak, torque = peak[order], torque[order]
    out = np.zeros((len(PEAKS), torque.shape[1]))
    for k, r in enumerate(PEAKS):
        if r <= peak[0]:
            out[k] = torque[0] * (r / peak[0])
        elif r >= peak[-1]:
            out[k] = torque[-1] * (r / peak[-1])
        else:
            j = int(np.searchsorted(peak, r))
            share = (r - peak[j - 1]) / (peak[j] - peak[j - 1])
            out[k] = torque[j - 1] * (1.0 - share) + torque[j] * share
    return out


@lru_cache(maxsize=1)
def gas_table() -> GasTable:
    """Return the torque table of cylinders that leak, for a crank of steady speed."""
    return GasTable(_torque(leaking_pressures(RATIOS, LEAKS)), RATIOS, PEAKS, ANGLES_DEG)


def slowed_torques(slowness: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the table's torques for a crank that is slower at some degrees, see `leaking_pressures`."""
    return _torque(leaking_pressures(RATIOS, LEAKS, slowness))


def _torque(ladder: NDArray[np.float64]) -> NDArray[np.float64]:
    torque = np.stack([_leak_curves(pressure) for pressure in ladder])
    unit = int(np.flatnonzero(PEAKS == 1.0)[0])
    out: NDArray[np.float64] = torque / torque[:, unit].max(axis=-1)[:, None, None]
    out.flags.writeable = False
    return out
