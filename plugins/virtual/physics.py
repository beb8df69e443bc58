"""The compiled equations of the virtual engine: gas, crank, starter, battery, stepped together in time.

Gas: an open system per cylinder with its own mass and temperature, real valve areas, a manifold, heat to the walls
after Woschni's correlation for motored engines, and flow through openings after ISO 6358 (an ellipse between choked
and still). Crank: exact slider-crank with reciprocating mass. Clutch: a stiff one-way spring, so that it can only push.
Everything is in SI units; angles are radians inside, zero at the compression TDC of the first cylinder of the order.

Only `crankfold.plugins.virtual.engine` imports this, at its first simulation: the compiler is slow to load. All of it
stays in one file, because a compiled cache notices changes only in the file of the function it belongs to; what the
numbers are and where they come from is in `numbers`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.plugins.virtual.compiling import compiled
from crankfold.plugins.virtual.numbers import DRAWN_CYCLES, DRAWN_HALF_TURNS, R_AIR, STATES, Physics

if TYPE_CHECKING:
    from numpy.typing import NDArray

CHOKED_FLOW = 0.6847  # sqrt(1.4) * (2/2.4)**3, the mass-flow factor of air at the speed of sound
CHOKED_RATIO = 0.528  # pressure ratio below which the flow is choked
STILL_RATIO = 0.999  # above it the flow is taken linear, so that its slope stays finite
CV_300 = 713.0  # J/(kg K), heat capacity of air at constant volume: a straight line through 300 to 900 K
CV_SLOPE = 0.17  # J/(kg K2), its rise with temperature
T_REF = 300.0
WALK = 0.5  # share of a pressure difference that one step may level, so that wide valves cannot overshoot
STILL_SPEED = 0.3  # rad/s below which dry friction fades, so that the crank can stop
LOCKED_SPEED = 3.0  # rad/s below which a locked load's swing fades, so that it does not turn a standing crank
MIN_HEAT_COEFF = 8.0  # W/(m2 K), still air
OPEN_DECAY_S = 0.002  # arc at the solenoid's contacts
COIL_LAG_S = 0.004  # rise of the solenoid's pull-in current
BURN_START, BURN_SPAN = -0.09, 0.9  # rad, when a charge burns

ORIFICE, LAMINAR, WORN_BORE, SEATING, LIFTING = 0, 1, 2, 3, 4  # leak laws
TANH, RATIONAL, PIECEWISE, ARCTAN, CONSTANT = 0, 1, 2, 3, 4  # how the field grows with current


@compiled
def flow(p_up: float, t_up: float, p_down: float, area: float) -> float:
    """Return the mass flow in kg/s through an opening, ISO 6358 form."""
    base = CHOKED_FLOW * area * p_up / np.sqrt(R_AIR * t_up)
    ratio = p_down / p_up
    if ratio <= CHOKED_RATIO:
        return float(base)
    if ratio > STILL_RATIO:
        edge = (STILL_RATIO - CHOKED_RATIO) / (1.0 - CHOKED_RATIO)
        return float(base * np.sqrt(1.0 - edge * edge) * (1.0 - ratio) / (1.0 - STILL_RATIO))
    x = (ratio - CHOKED_RATIO) / (1.0 - CHOKED_RATIO)
    return float(base * np.sqrt(1.0 - x * x))


@compiled
def energy(t: float) -> float:
    """Return the internal energy of air at `t` kelvin, J/kg, zero at 300 K."""
    d = t - T_REF
    return CV_300 * d + 0.5 * CV_SLOPE * d * d


@compiled
def exchange(p: float, t: float, source: tuple[float, float], area: float, cap: float) -> float:
    """Return the flow in from a source of (pressure, temperature), kg/s, at most what levels part of the difference."""
    src_p, src_t = source
    if p > src_p:
        return -min(flow(p, t, src_p, area), cap * (p - src_p))
    return min(flow(src_p, src_t, p, area), cap * (src_p - p))


@compiled
def lift(ang: float, opens: float, closes: float, cycle: float) -> float:
    """Return where in its opening a valve is, 0 to 1, or -1 when it is shut."""
    u = ((ang - opens) % cycle) / ((closes - opens) % cycle)
    return u if u < 1.0 else -1.0


@compiled
def leak_opening(area: float, law: int, p: float, air_p: float, drop: float) -> float:
    """Return the open leak area under a law; `drop` is the piston's way down from TDC as a share of the stroke."""
    over = max(p - air_p, 0.0) / 1e6
    if law == WORN_BORE:
        return float(area * np.exp(-drop / 0.12))
    if law == SEATING:
        return area / (1.0 + 2.0 * over)
    if law == LIFTING:
        return area * (0.3 + over)
    return area


@compiled
def cylinder(c: Physics, k: int, y: NDArray[np.float64]) -> tuple[float, float, float, float, float, float]:
    """Return dm/dt, dT/dt, flow from the manifold, torque on the crank, sum m x'^2, gas pressure of one cylinder.

    The torque is that of gas, rings, valve springs and the speed part of the reciprocating mass.
    """
    theta, w, m, t = y[0], y[1], y[STATES + 2 * k], y[STATES + 2 * k + 1]
    half = 0.5 * c.cycle
    number = int(np.floor((theta - c.fire[k] + half) / c.cycle))  # of this cylinder's cycle
    ang = theta - c.fire[k] - number * c.cycle
    number %= DRAWN_CYCLES
    sn, cs = np.sin(ang), np.cos(ang)
    r = c.crank_radius
    root = np.sqrt(c.rod * c.rod - r * r * sn * sn)
    x = r * (1.0 - cs) + c.rod - root
    dx = r * sn * (1.0 + r * cs / root)
    ddx = r * cs + r * r * (cs * cs - sn * sn) / root + r**4 * sn * sn * cs * cs / root**3
    v = c.clearance[k] + c.piston_area * x
    p = m * R_AIR * t / v
    cap = WALK * v / (1.4 * R_AIR * max(t, c.air_t) * c.step)

    area = leak_opening(c.leak_area[k] * c.leak_cycle[k, number], c.leak_law[k], p, c.air_p, x / (2.0 * r))
    if c.leak_law[k] == LAMINAR:
        into = -min(abs(p - c.air_p) * area * 2.4e-3, cap * abs(p - c.air_p)) * np.sign(p - c.air_p)
    else:
        into = exchange(p, t, (c.air_p, c.air_t), area, cap)
    if theta - c.start < c.decompress_until:
        into += exchange(p, t, (c.air_p, c.air_t), c.decompress_area, cap)
    spring = 0.0
    u = lift(ang, c.exhaust_open, c.exhaust_close, c.cycle)
    if u >= 0.0:
        s = np.sin(np.pi * u)
        into += exchange(p, t, (c.air_p, c.air_t), c.exhaust_area[k] * s * s, cap)
        spring += np.sin(2.0 * np.pi * u)
    from_manifold = 0.0
    u = lift(ang, c.intake_open, c.intake_close + c.intake_shift[k] + c.close_cycle[k, number], c.cycle)
    if u >= 0.0:
        s = np.sin(np.pi * u)
        from_manifold = exchange(p, t, (y[9], c.air_t), c.intake_area[k] * s * s, cap)
        spring += np.sin(2.0 * np.pi * u)
    dm = into + from_manifold

    wall = 2.0 * c.piston_area + np.pi * c.bore * x
    gas_speed = 2.28 * 2.0 * r * abs(w) / np.pi
    h = 3.26 * c.bore**-0.2 * (p * 1e-3) ** 0.8 * t**-0.55 * gas_speed**0.8
    heat = -c.heat_factor * max(h, MIN_HEAT_COEFF) * wall * (t - c.wall_t)
    b = (ang - BURN_START) / BURN_SPAN
    if theta >= c.burn_from[k] and 0.0 < b < 1.0:
        heat += c.burn_heat * c.burn_cycle[k, number] * m * 0.5 * np.pi * np.sin(np.pi * b) / BURN_SPAN * abs(w)
    own = energy(t)
    enthalpy = 0.0
    for part in (into, from_manifold):
        enthalpy += part * (R_AIR * t if part < 0.0 else energy(c.air_t) + R_AIR * c.air_t - own)
    dtemp = (heat - p * c.piston_area * dx * w + enthalpy) / (m * (CV_300 + CV_SLOPE * (t - T_REF)))

    turning = np.tanh(w / STILL_SPEED)
    torque = (p - c.air_p) * c.piston_area * dx - c.recip_mass * dx * ddx * w * w
    torque -= (c.ring + c.ring_pressure * abs(p - c.air_p) * c.bore) * abs(dx) * turning + c.spring * spring
    return dm, dtemp, from_manifold, torque, c.recip_mass * dx * dx, p


@compiled
def field(c: Physics, i: float) -> float:
    """Return volts per rad/s of the motor's own shaft at a current: the field, saturating in one of several ways."""
    x = abs(i) / c.motor_i_sat
    if c.motor_curve == TANH:
        s = np.tanh(x)
    elif c.motor_curve == RATIONAL:
        s = x / (1.0 + x**c.motor_shape) ** (1.0 / c.motor_shape)
    elif c.motor_curve == PIECEWISE:
        s = min(x, 0.75 + 0.25 * min(max(x - 0.75, 0.0) / 1.5, 1.0))
    elif c.motor_curve == ARCTAN:
        s = np.arctan(0.5 * np.pi * x) * 2.0 / np.pi
    else:
        s = 1.0
    s = c.motor_residual + (1.0 - c.motor_residual) * s
    reaction = i / c.motor_reaction
    return float(c.motor_k * s / (1.0 + reaction * reaction))


@compiled
def friction(c: Physics, theta: float, w: float) -> float:
    """Return the torque of everything that rubs but the rings: it falls with the way turned and wavers a little."""
    way = max(theta - c.start, 0.0)
    at = way / np.pi
    before = int(at)
    share = at - before
    waver = ((1.0 - share) * c.friction_half_turn[before % DRAWN_HALF_TURNS]
             + share * c.friction_half_turn[(before + 1) % DRAWN_HALF_TURNS])
    dry = c.dry * waver + c.stiff / (1.0 + (way / c.stiff_way) ** 2) + c.breakaway * np.exp(-abs(w) / c.breakaway_speed)
    return float(dry * np.tanh(w / STILL_SPEED) + c.viscous * w)


@compiled
def locked(c: Physics, theta: float, w: float) -> float:
    """Return the torque of loads that go with the crank's angle; they take what they take only while it turns."""
    swing, mean = 0.0, 0.0
    for k in range(len(c.locked_order)):
        swing += c.locked_swing[k] * np.cos(c.locked_order[k] * theta - c.locked_phase[k])
        mean += c.locked_mean[k]
    return float(swing * min(abs(w) / LOCKED_SPEED, 1.0) + mean * np.tanh(w / STILL_SPEED))


@compiled
def through_gasket(c: Physics, y: NDArray[np.float64], p: NDArray[np.float64], d: NDArray[np.float64]) -> None:
    """Add to the rates `d` what flows through the gasket from one cylinder to the other, with its enthalpy."""
    high, low = c.gasket_a, c.gasket_b
    if p[low] > p[high]:
        high, low = low, high
    a, b = STATES + 2 * high, STATES + 2 * low
    cap = WALK * min(y[a], y[b]) / (1.4 * c.step * p[high])
    through = min(flow(p[high], y[a + 1], p[low], c.gasket_area), cap * (p[high] - p[low]))
    d[a] -= through
    d[b] += through
    d[a + 1] -= through * R_AIR * y[a + 1] / (y[a] * (CV_300 + CV_SLOPE * (y[a + 1] - T_REF)))
    brought = energy(y[a + 1]) + R_AIR * y[a + 1] - energy(y[b + 1])
    d[b + 1] += through * brought / (y[b] * (CV_300 + CV_SLOPE * (y[b + 1] - T_REF)))


@compiled
def supply(c: Physics, i: float, pol: float, pol2: float, used: float) -> tuple[float, float, float]:
    """Return the voltage at the battery's posts and the currents of the first and second battery."""
    e1 = c.emf - c.emf_slope * used - pol
    e2 = c.second_emf - pol2
    volts = (e1 / c.ohmic + e2 * c.second_g - i - c.load_a) / (1.0 / c.ohmic + c.second_g + c.load_g)
    return volts, (e1 - volts) / c.ohmic, (e2 - volts) * c.second_g


@compiled
def solenoid(c: Physics, time: float) -> float:
    """Return the current of the solenoid's windings."""
    if time < c.key_on or time >= c.key_off:
        return 0.0
    since = time - c.key_on
    if since < c.pull_in_s:
        return float(c.pull_in * (1.0 - np.exp(-since / COIL_LAG_S)))
    return float(c.hold_in + (c.pull_in - c.hold_in) * np.exp(-(since - c.pull_in_s) / COIL_LAG_S))


@compiled
def clutch(c: Physics, wind: float, slip: float) -> float:
    """Return the torque through the one-way clutch, never negative."""
    return max(0.0, c.clutch_k * wind + c.clutch_c * slip) if wind > 0.0 or slip > 0.0 else 0.0


@compiled
def rates(c: Physics, time: float, y: NDArray[np.float64], d: NDArray[np.float64], p: NDArray[np.float64]) -> float:
    """Fill the rates of change `d` of the state `y` and the gas pressures `p`; return the voltage at the posts."""
    we, wa, wind, i = y[1], y[2], y[3], y[4]
    load, moving, drawn = 0.0, c.inertia, 0.0
    for k in range(len(c.fire)):
        a = STATES + 2 * k
        d[a], d[a + 1], out, torque, mass, p[k] = cylinder(c, k, y)
        load -= torque
        moving += mass
        drawn += out
    if c.gasket_area > 0.0:
        through_gasket(c, y, p, d)
    load += friction(c, y[0], we) + locked(c, y[0], we)
    cap = WALK * c.manifold_volume / (1.4 * R_AIR * c.air_t * c.step)
    d[9] = R_AIR * c.air_t / c.manifold_volume * (
        exchange(y[9], c.air_t, (c.air_p, c.air_t), c.throttle_area, cap) - drawn)

    volts, i1, i2 = supply(c, i + solenoid(c, time), y[5], y[6], y[7])
    shaft = c.gear * wa
    k_i = field(c, i)
    warm = c.motor_r * (1.0 + 0.0039 * y[8])  # copper
    if c.key_on + c.pull_in_s <= time < c.key_off:
        d[4] = (volts - (warm + c.cable_r) * i - c.brush_v * np.tanh(i / 10.0) - k_i * shaft) / c.motor_l
    else:
        d[4] = -i / OPEN_DECAY_S
    push = clutch(c, wind, wa - we)
    d[0] = we
    d[1] = (push - load) / moving
    drag = c.motor_drag * np.tanh(shaft / 5.0) + c.motor_windage * shaft
    d[2] = (c.gear * c.gear_eff * (k_i * i - drag) - push) / c.armature
    d[3] = wa - we
    d[5] = (c.pol_r * i1 - y[5]) / c.pol_tau
    d[6] = (c.second_pol_r * i2 - y[6]) / c.pol_tau
    d[7] = i1
    d[8] = warm * i * i / c.motor_heat_cap
    return float(volts)


@compiled
def crank(c: Physics, y: NDArray[np.float64], out: NDArray[np.float64], p: NDArray[np.float64]) -> None:
    """Step the whole from rest; fill `out` (steps, 6: angle, crank and armature speed, lead current, volts, clutch)."""
    d1, d2, y2 = np.zeros_like(y), np.zeros_like(y), np.zeros_like(y)
    scratch = np.zeros(len(c.fire))
    for s in range(len(out)):
        time = s * c.step
        volts = rates(c, time, y, d1, p[s])
        out[s, 0], out[s, 1], out[s, 2], out[s, 4] = y[0], y[1], y[2], volts
        out[s, 3] = y[4] + solenoid(c, time)
        out[s, 5] = clutch(c, y[3], y[2] - y[1])
        for j in range(len(y)):
            y2[j] = y[j] + c.step * d1[j]
        rates(c, time + c.step, y2, d2, scratch)
        for j in range(len(y)):
            y[j] += 0.5 * c.step * (d1[j] + d2[j])
        y[3] = max(y[3], 0.0)  # a roller clutch that slips stores no wind-up


@compiled
def motor_over(c: Physics, y: NDArray[np.float64], speed: float, out: NDArray[np.float64],
               p: NDArray[np.float64]) -> None:
    """Turn the engine at a held speed; fill `out` (steps, 2: angle, torque it takes) and the pressures `p`."""
    d1, d2, y2 = np.zeros_like(y), np.zeros_like(y), np.zeros_like(y)
    scratch = np.zeros(len(c.fire))
    y[1], y[2], y2[1], y2[2] = speed, speed, speed, speed
    for s in range(len(out)):
        rates(c, -1.0, y, d1, p[s])
        out[s, 0], out[s, 1] = y[0], -d1[1] * c.inertia
        y2[0] = y[0] + c.step * d1[0]
        for j in range(9, len(y)):
            y2[j] = y[j] + c.step * d1[j]
        rates(c, -1.0, y2, d2, scratch)
        y[0] += 0.5 * c.step * (d1[0] + d2[0])
        for j in range(9, len(y)):
            y[j] += 0.5 * c.step * (d1[j] + d2[j])
