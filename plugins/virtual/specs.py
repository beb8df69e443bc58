"""What a virtual engine, its starter and its battery are, in workshop units."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

LeakLaw = Literal["orifice", "laminar", "worn-bore", "seating", "lifting"]
LEAK_LAWS: tuple[LeakLaw, ...] = ("orifice", "laminar", "worn-bore", "seating", "lifting")
FieldCurve = Literal["tanh", "rational", "piecewise", "arctan", "constant"]
FIELD_CURVES: tuple[FieldCurve, ...] = ("tanh", "rational", "piecewise", "arctan", "constant")
NEVER = 1e9  # seconds or revolutions that are never reached


@dataclass(frozen=True)
class CylinderSpec:
    """How one cylinder differs from the drawing.

    Parameters
    ----------
    leak_mm2
        Area of the leak past rings and valves; 0.5 is a healthy engine, 60 a dead one.
    leak_law
        How the leak goes with pressure and place: ``orifice``, ``laminar``, ``worn-bore`` (open near TDC only),
        ``seating`` (a valve that pressure helps to shut), ``lifting`` (one that pressure opens).
    filling
        Open area of its inlet as a share of the drawing's; a worn lobe or a blocked port is far below 1.
    clearance
        Volume left at TDC as a share of the drawing's; below 1 with liquid or carbon, above with a bent rod.
    inlet_shift_deg
        How much later its inlet valve closes.
    exhaust
        Open area of its exhaust as a share of the drawing's; 0 with the lobe gone.
    leak_scatter
        Standard deviation of the leak's logarithm from cycle to cycle: a valve that seats now well and now badly.
    fires_from_cycle
        Engine cycles after which its charge burns, None for never.
    burn, burn_chance
        What it burns as a share of the engine's `burn_kj_per_kg`, and how often once it has begun.
    """

    leak_mm2: float = 0.5
    leak_law: LeakLaw = "orifice"
    filling: float = 1.0
    clearance: float = 1.0
    inlet_shift_deg: float = 0.0
    exhaust: float = 1.0
    leak_scatter: float = 0.0
    fires_from_cycle: float | None = None
    burn: float = 1.0
    burn_chance: float = 1.0


@dataclass(frozen=True)
class LockedLoad:
    """A load that goes with the crank's angle: an injection pump, an accessory on its belt, what is out of balance.

    Parameters
    ----------
    order
        Swings in one turn of the crank; 0.5 is once in a four-stroke cycle, a belt's ratio need not be whole.
    swing_nm, mean_nm
        Half of its swing, and its mean, as torques on the crank.
    phase_deg
        Crank angle at which it is largest, after the compression TDC of the first of the order.
    """

    order: float
    swing_nm: float
    mean_nm: float = 0.0
    phase_deg: float = 0.0


@dataclass(frozen=True)
class GasketLeak:
    """A way through the gasket between two cylinders, named by their numbers."""

    cylinders: tuple[int, int]
    mm2: float


@dataclass(frozen=True)
class EngineSpec:
    """The engine: its geometry, valves, friction and state.

    Valve angles are crank degrees after compression TDC, so the inlet of four strokes opens near 350 and closes near
    590 (50 degrees after BDC); for two strokes "inlet" is the transfer port.
    `cylinders` is by position in the firing order and may be empty: all healthy then.

    The defaults leave out what makes real cranking hard to read; the workshop's engines (`fleet`) have it.

    Parameters
    ----------
    stiff_nm, stiff_turns
        Friction on top of the rest when the crank begins to move, and the turns after which half of it is gone:
        bearings and rings that have stood until the oil is between them again.
    scatter
        About how much the times of whole cycles differ, as a share: friction, filling and leaks waver so much.
    locked, gasket
        Loads that go with the crank's angle, and a leak between two cylinders.
    """

    firing_order: tuple[int, ...] = (1, 3, 4, 2)
    intervals_deg: tuple[float, ...] = ()
    strokes: int = 4
    bore_mm: float = 82.0
    stroke_mm: float = 85.0
    rod_ratio: float = 3.4
    compression_ratio: float = 9.2
    inlet_opens_deg: float = 350.0
    inlet_closes_deg: float = 598.0
    exhaust_opens_deg: float = 132.0
    exhaust_closes_deg: float = 370.0
    inlet_area_mm2: float = 520.0
    exhaust_area_mm2: float = 420.0
    throttle_mm2: float = 900.0
    manifold_l: float = 3.0
    inertia_kgm2: float = 0.14
    reciprocating_kg: float = 0.55
    dry_nm: float = 14.0
    breakaway_nm: float = 9.0
    viscous_nms: float = 0.6
    stiff_nm: float = 0.0
    stiff_turns: float = 0.5
    scatter: float = 0.0
    locked: tuple[LockedLoad, ...] = ()
    gasket: GasketLeak | None = None
    ring_n: float = 28.0
    ring_pressure: float = 2e-4
    valve_spring_nm: float = 2.5
    air_c: float = 18.0
    air_bar: float = 1.013
    wall_c: float = 35.0
    heat_factor: float = 1.6
    decompressor_revs: float = 0.0
    decompressor_mm2: float = 60.0
    burn_kj_per_kg: float = 900.0
    cylinders: tuple[CylinderSpec, ...] = ()

    @property
    def cycle_deg(self) -> float:
        """Crank degrees of one engine cycle."""
        return 180.0 * self.strokes

    @property
    def displacement_l(self) -> float:
        """Swept volume of all cylinders in litres."""
        return len(self.firing_order) * 0.25 * 3.141592653589793 * self.bore_mm**2 * self.stroke_mm * 1e-6

    @property
    def fire_deg(self) -> tuple[float, ...]:
        """Crank angle of each position's compression TDC; position 1 at 0."""
        n = len(self.firing_order)
        steps = self.intervals_deg or (self.cycle_deg / n,)
        at, angles = 0.0, []
        for k in range(n):
            angles.append(at)
            at += steps[k % len(steps)]
        if abs(at - self.cycle_deg) > 0.5:
            raise ValueError(f"intervals add up to {at:g} degrees, the cycle has {self.cycle_deg:g}; "
                             "give one interval a cylinder, or a pattern that repeats")
        return tuple(angles)

    def by_position(self) -> tuple[CylinderSpec, ...]:
        """Return one `CylinderSpec` for each position in the firing order."""
        return self.cylinders or (CylinderSpec(),) * len(self.firing_order)

    def with_cylinder(self, number: int, cylinder: CylinderSpec) -> EngineSpec:
        """Return the engine with the cylinder of that number replaced."""
        if number not in self.firing_order:
            raise ValueError(f"the virtual engine has no cylinder {number}; its firing order is "
                             f"{'-'.join(map(str, self.firing_order))}")
        cylinders = list(self.by_position())
        cylinders[self.firing_order.index(number)] = cylinder
        return replace(self, cylinders=tuple(cylinders))


@dataclass(frozen=True)
class StarterSpec:
    """The starter: a DC motor, its gear, its one-way clutch and its solenoid; electrical values of the motor alone.

    Parameters
    ----------
    volt_seconds
        Volts per rad/s of the motor's own shaft at full field.
    field_curve, field_amps, field_shape
        How the field grows with current: ``constant`` is a permanent magnet; the others are series windings that
        saturate round `field_amps`.
    field_residual
        Share of the full field left without current.
    reaction_amps
        Current at which the armature's own field leaves half of the main one.
    drag_nm, windage_nms
        Brushes and bearings, and what grows with the speed of the motor's own shaft; both make the idle current.
    """

    volt_seconds: float = 0.027
    field_curve: FieldCurve = "constant"
    field_amps: float = 250.0
    field_shape: float = 2.0
    field_residual: float = 0.0
    reaction_amps: float = float("inf")
    resistance_ohm: float = 0.0085
    inductance_uh: float = 35.0
    brush_drop_v: float = 1.2
    heat_capacity_j_per_k: float = 600.0
    drag_nm: float = 0.08
    windage_nms: float = 0.0
    armature_gcm2: float = 9000.0
    gear_ratio: float = 13.5
    gear_efficiency: float = 0.86
    clutch_nm_per_rad: float = 15000.0
    pull_in_a: float = 38.0
    hold_in_a: float = 9.0
    pull_in_s: float = 0.03
    commutator_bars: int = 25


@dataclass(frozen=True)
class Consumer:
    """Something besides the starter that draws current: lamps, glow plugs, the fuel pump, ignition.

    Parameters
    ----------
    amps
        What it draws when it has settled.
    on_s, off_s
        When it is switched, from the moment that the key is turned to start.
    surge, surge_s
        How many times as much it draws at first, and how fast that falls.
    on_starter_lead
        Its current goes through the starter's lead too; otherwise through the battery's alone.
    """

    amps: float
    on_s: float = -1.0
    off_s: float = NEVER
    surge: float = 1.0
    surge_s: float = 0.05
    on_starter_lead: bool = True


@dataclass(frozen=True)
class BatterySpec:
    """The battery with its cables and what hangs on it.

    `second` is another of its kind, joined by a link of `second_link_ohm`; `load_a` is drawn from the battery always.
    """

    volts: float = 12.6
    charge: float = 0.9
    volts_fall_to_empty: float = 1.1
    ohmic_ohm: float = 0.0055
    polarisation_ohm: float = 0.0022
    polarisation_s: float = 1.2
    capacity_ah: float = 60.0
    cable_ohm: float = 0.0022
    cable_uh: float = 3.0
    second: bool = False
    second_volts: float = 12.4
    second_link_ohm: float = 0.004
    load_a: float = 4.0
    glow_plug_ohm: float = 0.0
    consumers: tuple[Consumer, ...] = ()


@dataclass(frozen=True)
class KeySpec:
    """When the key is turned and let go, and where the crank stands before (None: drawn from the seed)."""

    on_s: float = 1.5
    off_s: float = 5.5
    start_deg: float | None = None


@dataclass(frozen=True)
class Bench:
    """One engine with what cranks it, and when the key is turned."""

    engine: EngineSpec = field(default_factory=EngineSpec)
    starter: StarterSpec = field(default_factory=StarterSpec)
    battery: BatterySpec = field(default_factory=BatterySpec)
    key: KeySpec = field(default_factory=KeySpec)
