"""From the virtual board's settings to a plan: which engine is cranked when, how it is recorded, what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np

from crankfold.acquire import SettingError
from crankfold.analysis import quoted
from crankfold.plugins.virtual.fleet import FLEET, IGNITION, roughened
from crankfold.plugins.virtual.leads import LEAD_KINDS, LeadKind, SyncLead
from crankfold.plugins.virtual.pickups import PICKUPS, Pickup
from crankfold.plugins.virtual.settings import BOARD, Values, merged
from crankfold.plugins.virtual.signals import QUANTITIES, Quantity, RigSpec, nice_above
from crankfold.plugins.virtual.specs import Bench, Consumer, CylinderSpec, EngineSpec, GasketLeak, StarterSpec

if TYPE_CHECKING:
    from collections.abc import Mapping

DEAD_LEAK_MM2 = 60.0  # a spark plug out leaves this
GASKET_MM2 = 6.0  # a burnt bridge between two bores, by default; both fall to about a third
UNSTEADY = 1.2  # leak's spread in its logarithm: a valve that seats in one cycle and hangs in the next
UNSTEADY_LEAK_MM2 = 2.5  # round which it changes where no other leak is asked for
LEAK_SPREAD, CLEARANCE_SPREAD = 0.12, 0.004  # between the healthy cylinders of one engine: one to three percent
LONGEST_S = 3600.0
GLOW_PLUGS = Consumer(60.0, on_s=-1.5, surge=1.7, surge_s=1.5, on_starter_lead=False)
LAMPS = Consumer(12.0, on_s=-1.2, surge=8.0, surge_s=0.04)
FaultKind = Literal["lose", "lose-unknown", "stall", "unplug", "garble"]
SYNC_FULL_SCALE = {"waste-spark": 20.0, "single-spark": 20.0, "cam": 10.0, "pressure": 100.0}
PIN_FULL_SCALE_V, PIN_NOISE_V = 10.0, 0.005  # a 5 V board behind a converter with sign; a count of its own


def known(engine: EngineSpec, name: str, cylinder: int | str) -> int:
    """Return a cylinder's number, sure to be one of the engine's.

    Raises
    ------
    SettingError
        It is none; the setting's name is in the message.
    """
    order = engine.firing_order
    try:
        number = int(cylinder)
    except ValueError as error:
        raise SettingError(f"{BOARD}: {name} names cylinder {quoted(cylinder)}", "give its number") from error
    if number not in order:
        raise SettingError(f"{BOARD}: {name} names cylinder {number}, which the engine lacks",
                           f"its firing order is {'-'.join(map(str, order))}")
    return number


def healthy(engine: EngineSpec, seed: int) -> EngineSpec:
    """Return the engine with cylinders that differ as sound ones do."""
    rng = np.random.default_rng([seed, 3])
    sound = CylinderSpec()
    return replace(engine, cylinders=tuple(
        replace(sound, leak_mm2=sound.leak_mm2 * float(np.exp(rng.normal(0.0, LEAK_SPREAD))),
                clearance=float(np.exp(rng.normal(0.0, CLEARANCE_SPREAD)))) for _ in engine.firing_order))


def with_faults(engine: EngineSpec, v: Values) -> EngineSpec:
    """Return the engine with the faults that the settings ask for, leaks sized by what they leave excepted.

    Raises
    ------
    SettingError
        A fault names a cylinder that the engine lacks.
    """
    engine = replace(engine, decompressor_revs=v.number("decompressor", 0.0, 0.0, 100.0))
    engine = _firing(engine, v)
    for cylinder, percent in v.pairs("carbon", ":"):
        engine = _changed(engine, "carbon", cylinder, clearance=_share(v, "carbon", percent))
    for name, changes in (("inlet-lobe", {"filling": 0.0}), ("exhaust-lobe", {"exhaust": 0.0}),
                          ("unsteady", {"leak_scatter": UNSTEADY, "leak_mm2": UNSTEADY_LEAK_MM2}),
                          ("dead", {"leak_mm2": DEAD_LEAK_MM2})):
        for number in v.cylinders(name):
            engine = _changed(engine, name, number, **changes)
    if v.given("gasket"):
        pair = [known(engine, "gasket", cylinder) for cylinder in v.cylinders("gasket")]
        if len(set(pair)) != 2:
            raise SettingError(f"{BOARD}: gasket={v.text('gasket')} names no two cylinders", "write it like 2+3")
        engine = replace(engine, gasket=GasketLeak((pair[0], pair[1]), GASKET_MM2))
    return engine


def _firing(engine: EngineSpec, v: Values) -> EngineSpec:
    """Return the engine with the cylinders that burn, from when and how strongly."""
    if not v.given("fires"):
        return engine
    from_cycle, burn = v.number("fires", 0.0, 0.0, 1000.0), _share(v, "burn", v.number("burn", 100.0, 1.0, 200.0))
    named = [known(engine, "fires-cylinder", x) for x in v.cylinders("fires-cylinder")]
    for cylinder in named or engine.firing_order:
        engine = _changed(engine, "fires-cylinder", cylinder, fires_from_cycle=from_cycle, burn=burn)
    return engine


def _share(v: Values, name: str, percent: float) -> float:
    if not 1.0 <= percent <= 200.0:
        raise SettingError(f"{BOARD}: {name}={v.text(name)} leaves {percent:g} percent", "give 1 to 200 percent")
    return percent * 0.01


def _changed(engine: EngineSpec, name: str, cylinder: int | str, **changes: Any) -> EngineSpec:
    """Return the engine with something of one cylinder changed."""
    number = known(engine, name, cylinder)
    own = engine.by_position()[engine.firing_order.index(number)]
    return engine.with_cylinder(number, replace(own, **changes))


@dataclass(frozen=True)
class Fault:
    """Something that goes wrong at a time, in seconds from the start of the stream."""

    kind: FaultKind
    at_s: float
    samples: int = 0


@dataclass(frozen=True)
class Plan:
    """All that the virtual board does.

    Parameters
    ----------
    bench, rig
        What is cranked and how it is recorded; `low` says how much of its peak pressure a cylinder is to keep.
    quiet_s, crank_s, rest_s, after_s, cranks
        The stretches of the stream; several lengths of a cranking take turns.
    real_time, amperes
        Whether samples come as time passes, and whether the current is scaled to amperes.
    """

    title: str
    bench: Bench
    rig: RigSpec
    low: tuple[tuple[int, float], ...]
    quiet_s: float
    crank_s: tuple[float, ...]
    rest_s: float
    after_s: float
    cranks: int
    seed: int
    real_time: bool
    amperes: bool
    faults: tuple[Fault, ...]


def read_plan(address: str, settings: Mapping[str, str]) -> Plan:
    """Return the plan that an address and settings describe.

    Raises
    ------
    SettingError
        A setting is unknown, or has a value that cannot be.
    """
    v = Values(merged(address, settings))
    fleet = FLEET[v.word("engine", "pump", tuple(FLEET))]
    seed = v.whole("seed", 1, 0, 2**31 - 1)
    own = roughened(fleet.bench, v.number("rough", 1.0, 0.0, 1.0))
    bench = Bench(_engine(own.engine, v, seed), _starter(own, v), own.battery)
    if v.word("battery", "good", ("good", "weak")) == "weak":
        b = bench.battery
        bench = replace(bench, battery=replace(b, charge=0.4, ohmic_ohm=2.2 * b.ohmic_ohm,
                                               polarisation_ohm=4.0 * b.polarisation_ohm))
    bench = replace(bench, battery=replace(bench.battery, consumers=_consumers(bench, v)))
    low = tuple((int(known(bench.engine, "low", cylinder)), percent) for cylinder, percent in v.pairs("low", ":"))
    for _, percent in low:
        if not 1.0 <= percent < 100.0:
            raise SettingError(f"{BOARD}: low={v.text('low')} leaves {percent:g} percent", "give 1 to 99 percent")
    return Plan(
        title=f"virtual engine: {fleet.title}", bench=bench, rig=_rig(bench, v), low=low,
        quiet_s=v.number("quiet", 2.0, 0.0, LONGEST_S), crank_s=v.numbers("crank", 4.0, 0.1, 60.0),
        rest_s=v.number("rest", 6.0, 1.0, LONGEST_S), after_s=v.number("after", 2.0, 0.1, LONGEST_S),
        cranks=v.whole("cranks", 1, 0, 1000), seed=seed,
        real_time=v.word("pace", "real", ("real", "flat")) == "real",
        amperes=v.word("unit", "A", ("A", "V")) == "A" and v.text("measure") != "battery-voltage",
        faults=_faults(v))


def _numbers(v: Values, name: str) -> tuple[float, ...]:
    try:
        return tuple(float(x) for x in v.text(name).split("-"))
    except ValueError as error:
        raise SettingError(f"{BOARD}: {name}={v.text(name)} is not numbers with dashes",
                           "write it like 1-3-4-2") from error


def _engine(engine: EngineSpec, v: Values, seed: int) -> EngineSpec:
    if v.given("firing-order"):
        order = tuple(int(x) for x in _numbers(v, "firing-order"))
        if len(set(order)) != len(order) or min(order) < 1:
            raise SettingError(f"{BOARD}: firing-order={v.text('firing-order')} isn't possible",
                               "name each cylinder once")
        engine = replace(engine, firing_order=order, intervals_deg=())
    if v.given("strokes"):
        strokes = v.whole("strokes", 4, 2, 4)
        if strokes == 3:
            raise SettingError(f"{BOARD}: strokes=3 isn't possible", "give 2 or 4")
        if strokes != engine.strokes:
            engine = _with_strokes(engine, strokes)
    if v.given("intervals"):
        engine = replace(engine, intervals_deg=_numbers(v, "intervals"))
    try:
        _ = engine.fire_deg
    except ValueError as error:
        raise SettingError(f"{BOARD}: {str(error).partition(';')[0]}", "give intervals that fill the cycle") from error
    return with_faults(healthy(engine, seed), v)


def _with_strokes(engine: EngineSpec, strokes: int) -> EngineSpec:
    """Return the engine with the ports or valves of the other kind."""
    donor = FLEET["outboard" if strokes == 2 else "pump"].bench.engine
    return replace(engine, strokes=strokes, intervals_deg=(), inlet_opens_deg=donor.inlet_opens_deg,
                   inlet_closes_deg=donor.inlet_closes_deg, exhaust_opens_deg=donor.exhaust_opens_deg,
                   exhaust_closes_deg=donor.exhaust_closes_deg)


def _starter(bench: Bench, v: Values) -> StarterSpec:
    starter = bench.starter
    built = "permanent-magnet" if starter.field_curve == "constant" else "series"
    wanted = v.word("starter", built, ("permanent-magnet", "series"))
    if wanted == built:
        return starter
    if wanted == "series":
        return replace(starter, field_curve="tanh", field_amps=0.35 * stall_a(bench), field_residual=0.03,
                       volt_seconds=1.25 * starter.volt_seconds)
    return replace(starter, field_curve="constant", volt_seconds=starter.volt_seconds / 1.25)


def _consumers(bench: Bench, v: Values) -> tuple[Consumer, ...]:
    """Return what draws current besides the starter: the engine's own, or what the settings ask for."""
    found = list(bench.battery.consumers)
    if v.given("left"):
        found = [one for one in found if not one.on_starter_lead]
        found.append(replace(IGNITION, amps=v.number("left", 0.0, 0.0, 100.0)))
    if v.given("glow"):
        found.append(replace(GLOW_PLUGS, amps=v.number("glow", 0.0, 0.0, 300.0)))
    if v.given("lamps"):
        found.append(replace(LAMPS, amps=v.number("lamps", 0.0, 0.0, 100.0)))
    return tuple(found)


def stall_a(bench: Bench) -> float:
    """Return what the starter would draw if held, amperes; the in-rush stays below."""
    b = bench.battery
    return b.volts / (b.ohmic_ohm + b.cable_ohm + bench.starter.resistance_ohm)


def _rig(bench: Bench, v: Values) -> RigSpec:
    clamp = v.number("clamp", 10.0, 0.01, 1000.0)
    measure = cast("Quantity", v.word("measure", "current", QUANTITIES))
    top = 2.0 * bench.battery.volts if measure == "battery-voltage" else stall_a(bench) * clamp * 1e-3
    return RigSpec(
        rate_hz=v.number("rate", 10_000.0, 50.0, 200_000.0), rate_error=v.number("rate-error", 0.0, -50.0, 50.0) * 0.01,
        remanence=0.01 * v.number("remanence", 0.5, 0.0, 10.0),
        quantity=measure, clamp_mv_per_a=clamp, noise_a=v.number("noise", 1.5, 0.0, 1000.0),
        late=0.01 * v.number("late", 0.0, 0.0, 50.0), lost=0.01 * v.number("lost", 0.0, 0.0, 50.0),
        polarity=-1 if v.word("polarity", "1", ("1", "+1", "-1")) == "-1" else 1, bits=v.whole("bits", 12, 6, 16),
        full_scale=nice_above(top), sync=_lead(bench, v))


def _lead(bench: Bench, v: Values) -> SyncLead:
    """Return what hangs on the second channel: sparks as the pick-up of the hardware notes shows them."""
    kind = cast("LeadKind", v.word("sync", "none", LEAD_KINDS))
    pickup = cast("Pickup", v.word("sync-pickup", "foil", PICKUPS))
    cylinder = known(bench.engine, "sync-cylinder", v.text("sync-cylinder") or bench.engine.firing_order[0])
    angle = v.number("sync-angle", 200.0 if kind == "cam" else -7.0, -720.0, 720.0)
    turned = v.word("sync-polarity", "1", ("1", "+1", "-1")) == "-1"
    lead = SyncLead(kind, cylinder, angle, turned, pickup=pickup, full_scale=SYNC_FULL_SCALE.get(kind))
    return replace(lead, noise=PIN_NOISE_V, full_scale=PIN_FULL_SCALE_V) if lead.at_a_pin else lead


def _faults(v: Values) -> tuple[Fault, ...]:
    faults = []
    for count, at_s in v.pairs("lose", "@"):
        if count == "?":
            faults.append(Fault("lose-unknown", at_s, 10))
        elif count.isdigit() and int(count) > 0:
            faults.append(Fault("lose", at_s, int(count)))
        else:
            raise SettingError(f"{BOARD}: lose={v.text('lose')} names no number of samples", "write it like 200@3.2")
    kinds: tuple[FaultKind, ...] = ("stall", "unplug", "garble")
    faults += [Fault(kind, v.number(kind, 0.0, 0.0, LONGEST_S)) for kind in kinds if v.given(kind)]
    return tuple(sorted(faults, key=lambda fault: fault.at_s))
