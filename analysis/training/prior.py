"""A broad prior of cranking engines: what is drawn before anything is turned.

Nothing here is taken from the virtual engine, its generator of captures or the fit. Written against the functions that
numpy and cupy share, so that a laptop draws from the same prior as the machine that trains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from columns import CYLINDER, ENGINE

DEG = math.pi / 180.0
COUNTS = {2: 0.14, 3: 0.10, 4: 0.25, 5: 0.07, 6: 0.17, 7: 0.01, 8: 0.12, 9: 0.01, 10: 0.05, 12: 0.05, 16: 0.03}
"""Share of each number of cylinders."""
ALTERNATING = {2: (0.125, 0.25, 0.0625, -0.25), 4: (0.25, 0.125), 6: (0.25, 0.125), 8: (0.2,), 10: (0.25,), 12: (0.25,)}
"""Shifts of every other firing, in firing intervals, that engines are built with."""
FAULTS = (0.50, 0.11, 0.08, 0.06, 0.09, 0.06, 0.05, 0.05)
"""Of a fault: leak, filling, more clearance, timing, mixed, a valve that lifts, less clearance, exhaust lobe."""
NEVER = 1e9


@dataclass(frozen=True)
class Drawn:
    """Engines of one number of cylinders: columns of numbers and what the labels need."""

    engine: Any  # (columns, B)
    cylinder: Any  # (columns, n, B)
    firing: Any  # (n, B), TDC of each as a share of the cycle
    two_stroke: Any  # (B,)
    pattern: Any  # (B,), firings after which the intervals repeat


class Draw:
    """Random numbers of a batch of B engines, by a generator of numpy or cupy."""

    def __init__(self, xp: Any, gen: Any, count: int, size: int) -> None:
        self.xp, self.gen, self.count, self.size = xp, gen, count, size

    def uniform(self, low: Any, high: Any, each: bool = False) -> Any:
        """Return numbers between two limits, one an engine or one a cylinder."""
        return (
            self.gen.random((self.count, self.size) if each else self.size, dtype=self.xp.float32) * (high - low) + low
        )

    def log(self, low: float, high: float, each: bool = False) -> Any:
        """Return numbers whose logarithm is uniform."""
        return self.xp.exp(self.uniform(math.log(low), math.log(high), each))

    def normal(self, each: bool = True) -> Any:
        """Return standard normal numbers."""
        return self.gen.standard_normal((self.count, self.size) if each else self.size, dtype=self.xp.float32)

    def yes(self, share: Any, each: bool = False) -> Any:
        """Return whether, with a probability."""
        return self.uniform(0.0, 1.0, each) < share

    def whole(self, count: int, each: bool = False) -> Any:
        """Return whole numbers from 0 to count - 1."""
        return self.xp.minimum((self.uniform(0.0, 1.0, each) * count).astype(self.xp.int32), count - 1)

    def of(self, values: Any) -> Any:
        """Return one of some values for each engine."""
        return self.xp.asarray(values, dtype=self.xp.float32)[self.whole(len(values))]

    def kind(self, shares: tuple[float, ...], each: bool = False) -> Any:
        """Return indices drawn by shares."""
        edges = self.xp.cumsum(self.xp.asarray(shares, dtype=self.xp.float32))
        return self.xp.minimum(
            self.xp.searchsorted(edges, self.uniform(0.0, 1.0, each) * float(sum(shares))), len(shares) - 1
        )


def firing_pattern(d: Draw, two: Any) -> tuple[Any, Any]:
    """Return each cylinder's TDC as a share of the cycle, (n, B), and after how many firings the pattern repeats."""
    xp, n = d.xp, d.count
    at = xp.arange(n, dtype=xp.float32)[:, None]
    fire = at / n + xp.zeros((1, d.size), dtype=xp.float32)
    pattern = xp.ones(d.size, dtype=xp.int32)
    if n % 2 == 0:
        odd = d.yes(0.6 if n == 2 else 0.22) & ~two
        shift = xp.where(d.yes(0.65), d.of(ALTERNATING.get(n, (0.25,))), d.uniform(-0.35, 0.35)) * odd
        fire = fire + (at % 2) * shift * (2.0 / n if n == 2 else 1.0 / n)
        pattern = xp.where(xp.abs(shift) > 0.01, 2, pattern)
    if n == 4:
        cross = d.yes(0.08) & ~two
        fire = xp.where(cross, xp.asarray([0.0, 270.0, 450.0, 540.0])[:, None] / 720.0, fire)
        pattern = xp.where(cross, 4, pattern)
    if 3 <= n <= 8:
        free = d.yes(0.04) & ~two
        gaps = 1.0 + d.uniform(-0.5, 0.5, each=True)
        ends = xp.cumsum(gaps, 0) / gaps.sum(0)
        fire = xp.where(free, xp.concatenate((xp.zeros((1, d.size)), ends[:-1])), fire)
        pattern = xp.where(free, n, pattern)
    return fire.astype(xp.float32), pattern


def cylinders(d: Draw, gas: dict[str, Any], fire: Any) -> dict[str, Any]:
    """Return the columns of the cylinders: healthy ones a little unlike each other, and what is wrong with some."""
    xp, one = d.xp, True
    c = {
        "FIRES": fire * gas["CYCLE"],
        "CLEARANCE": gas["clearance"] * (1 + xp.clip(d.normal() * d.log(0.0005, 0.02), -0.05, 0.05)),
        "FILL": 1 + xp.clip(d.normal() * d.log(0.0005, 0.02), -0.06, 0.04),
        "IVC": gas["ivc"] + d.normal() * d.uniform(0.0, 2.5) * DEG,
        "EVO_OF": gas["EVO"] + 0 * fire,
        "LEAK": d.log(0.03, 3.0) * xp.clip(xp.exp(d.normal() * d.uniform(0.03, 0.5)), 0.2, 5.0),
        "OPENS_AT": 1.5 + 0 * fire,
        "LOBE": 0 * fire,
        "FLUTTER": xp.where(d.yes(0.06, one) & d.yes(0.5), d.log(0.03, 1.2, one), 0.0),
    }
    common = xp.where(d.yes(0.5), 0, d.whole(5) + 1)
    law = xp.where(common == 3, 0, common) + 0 * c["LEAK"]
    bad, kind = faulty(d)
    leaks = bad & ((kind == 0) | (kind == 4) | (kind == 5))
    big = xp.where(
        d.yes(0.2, one), d.log(60, 900, one), xp.where(d.yes(0.45, one), d.log(0.3, 8.0, one), d.log(0.15, 150, one))
    )
    c["LEAK"] = c["LEAK"] + xp.where(leaks, big, 0.0)
    law = xp.where(leaks & d.yes(0.4, one), xp.where(d.yes(0.5, one), 0, d.whole(5, one) + 1), law)
    lifts = bad & (kind == 5)
    c["LAW"] = xp.where(lifts, 3, law)
    c["OPENS_AT"] = xp.where(lifts, d.uniform(1.0, 9.0, one), c["OPENS_AT"])
    c["LEAK"] = xp.where(lifts, c["LEAK"] + d.log(3, 300, one), c["LEAK"])
    c["BEND"] = xp.where(
        c["LAW"] == 2,
        d.uniform(0.45, 1.3, one),
        xp.where(c["LAW"] == 4, d.uniform(-0.9, 0.9, one), d.uniform(-0.8, 0.6, one)),
    )
    starved = bad & ((kind == 1) | ((kind == 4) & d.yes(0.5, one)))
    c["FILL"] = xp.where(starved, c["FILL"] * d.uniform(0.08, 1.0, one), c["FILL"])
    roomy = bad & ((kind == 2) | ((kind == 4) & d.yes(0.3, one)))
    c["CLEARANCE"] = xp.where(roomy, c["CLEARANCE"] * (1 + d.log(0.04, 5.0, one)), c["CLEARANCE"])
    tight = bad & (kind == 6)  # carbon, and now and then liquid
    c["CLEARANCE"] = xp.where(
        tight,
        c["CLEARANCE"] * xp.where(d.yes(0.2, one), d.uniform(0.3, 0.6, one), d.uniform(0.55, 0.97, one)),
        c["CLEARANCE"],
    )
    c["IVC"] = xp.where(bad & (kind == 3), xp.minimum(c["IVC"] + d.uniform(8, 95, one) * DEG, -18 * DEG), c["IVC"])
    lobe = bad & (kind == 7) & (gas["CYCLE"] > 7.0)  # the exhaust valve hardly opens: compressed again, half a cycle on
    c["EVO_OF"] = xp.where(lobe, 2 * math.pi - d.uniform(0.02, 0.4, one), c["EVO_OF"])
    c["LOBE"] = xp.where(lobe, xp.where(d.yes(0.4, one), 0.0, d.log(0.5, 60, one)), 0.0)
    c["FILL"] = xp.where(lobe & d.yes(0.5, one), c["FILL"] * d.uniform(0.6, 1.0, one), c["FILL"])
    nothing = d.yes(0.04)  # plugs out, a broken timing drive
    c["LEAK"] = xp.where(nothing, c["LEAK"] + d.log(30, 3000), c["LEAK"])
    return c


def faulty(d: Draw) -> tuple[Any, Any]:
    """Return which cylinders are faulty, (n, B), and of what kind."""
    xp = d.xp
    how = d.uniform(0.0, 1.0)
    order = d.uniform(0.0, 1.0, each=True).argsort(0).argsort(0)
    count = xp.where(how < 0.35, 0, xp.where(how < 0.73, 1, xp.where(how < 0.88, 2, 99)))
    bad = xp.where(count == 99, d.yes(0.45, each=True), order < count)
    neighbours = xp.roll(order == 0, 1, 0) | (order == 0)
    bad = xp.where((count == 2) & d.yes(0.4), neighbours, bad)
    bank = (xp.arange(d.count)[:, None] % 2 == d.whole(2)) & (d.count > 3)
    bad = xp.where((count == 99) & d.yes(0.15), bank, bad)
    kind = xp.where(d.yes(0.7), d.kind(FAULTS), d.kind(FAULTS, each=True))
    return bad, kind


def draw(xp: Any, gen: Any, count: int, size: int) -> Drawn:
    """Return engines of `count` cylinders.

    Parameters
    ----------
    xp
        The module numpy or cupy.
    gen
        A generator of that module.
    """
    d = Draw(xp, gen, count, size)
    two = d.yes(0.10) if count <= 4 else xp.zeros(size, dtype=bool)
    fire, pattern = firing_pattern(d, two)
    gas = charge(d, two)
    each = cylinders(d, gas, fire)
    row = {**gas, **friction(d), **combustion(d)}
    row.update(starter(d, row))
    row["ANGLE"] = d.uniform(0.0, 1.0) * row["CYCLE"]
    zeros = xp.zeros(size, dtype=xp.float32)
    engine = xp.ascontiguousarray(xp.stack([(row[k] + zeros).astype(xp.float32) for k in ENGINE]))
    cylinder = xp.ascontiguousarray(xp.stack([(each[k] + zeros).astype(xp.float32) for k in CYLINDER]))
    return Drawn(engine, cylinder, fire, two, pattern)


def charge(d: Draw, two: Any) -> dict[str, Any]:
    """Return speed, gas, valves and what the cylinders have in common."""
    xp, n = d.xp, d.count
    cycle = xp.where(two, 2 * math.pi, 4 * math.pi)
    ratio = xp.where(d.yes(0.22), d.uniform(13, 22), d.uniform(6.3, 13.5))
    mean_pressure = d.log(0.7, 4.2)  # of friction, in shares of the air's
    gasket = d.yes(0.05)
    first = d.whole(n)
    beside = xp.where(d.yes(0.6), 1, 1 + d.whole(n - 1)) if n > 1 else 0
    return {
        "SPEED": d.log(85, 340) * math.pi / 30,
        "CYCLE": cycle,
        "ROD": d.uniform(2.8, 4.8),
        "GAMMA": d.uniform(1.2, 1.41),
        "HEAT": xp.where(d.yes(0.2), 0.0, d.log(0.2, 10)),
        "WALL": d.uniform(0.95, 1.3),
        "MANIFOLD": xp.where(d.yes(0.12), d.uniform(0.4, 0.86), d.uniform(0.86, 1.03)),
        "EVO": xp.where(two, d.uniform(80, 118), d.uniform(100, 150)) * DEG,
        "BACK_PRESSURE": d.uniform(0.99, 1.06),
        "RELAX": d.log(0.001, 0.006),
        "GAS": cycle / (mean_pressure * n),
        "clearance": 1 / (ratio - 1),
        "ivc": -xp.where(two, d.uniform(92, 130), d.uniform(95, 160)) * DEG,
        "GASKET": xp.where(gasket, d.log(0.5, 150), 0.0),
        "GASKET_A": xp.where(gasket, first, -1),
        "GASKET_B": xp.where(gasket, (first + beside) % n, -1),
        "SHUTS_AT": xp.where(d.yes(0.015), d.uniform(0.35, 1.5), -1.0),
        "SCATTER": d.log(0.0003, 0.012),
        "SEED": xp.floor(d.uniform(0.0, 1.0) * 8e6),
    }


def friction(d: Draw) -> dict[str, Any]:
    """Return friction, how it falls over the first turns, and the loads that are locked to the crank."""
    xp, n = d.xp, d.count
    share = d.uniform(0.45, 0.95)  # of the mean load; gas, leaks and walls take the rest
    orders = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, float(n), n / 2.0)  # a cycle: orders .5, 1, 1.5 .. of a four stroke's crank
    return {
        "share": share,
        "DRY": share * d.uniform(0.4, 0.95),
        "VISCOUS": share * d.uniform(0.05, 0.5),
        "BREAKAWAY": share * d.uniform(0.0, 0.35),
        "STRIBECK": d.uniform(0.1, 0.8),
        "RUN_UP": xp.where(d.yes(0.15), 0.0, xp.where(d.yes(0.45), d.log(0.03, 0.6), d.uniform(0.3, 3.5))),
        "RUN_LENGTH": d.log(0.25, 3.0) * 2 * math.pi,
        "STATIC": d.uniform(0.0, 0.15),
        "RUBBING": d.uniform(0.0, 0.08),
        "SHAKE": d.log(0.0005, 0.04),
        "LOAD_A": share * xp.where(d.yes(0.55), d.log(0.003, 0.4), 0.0),
        "ORDER_A": d.of(orders),
        "PHASE_A": d.uniform(0.0, 6.283),
        "PEAKY_A": xp.where(d.yes(0.4), d.uniform(0.2, 4.0), 0.0),
        "LOAD_B": share * xp.where(d.yes(0.4), d.log(0.003, 0.3), 0.0),
        "ORDER_B": xp.where(d.yes(0.4), float(n), d.of((1.0, 2.0, 3.0, 4.0, n / 2.0))),
        "PHASE_B": d.uniform(0.0, 6.283),
        "PEAKY_B": xp.where(d.yes(0.3), d.uniform(0.2, 4.0), 0.0),
    }


def combustion(d: Draw) -> dict[str, Any]:
    """Return what fires, from when on and how strongly."""
    xp, n = d.xp, d.count
    fires = d.yes(0.13)
    one = xp.exp2(d.whole(n).astype(xp.float32))
    some = xp.floor(d.uniform(0.0, 1.0) * 2.0**n)
    which = xp.where(d.yes(0.45), one, xp.where(d.yes(0.6), 2.0**n - 1, xp.maximum(some, one)))
    return {
        "FIRES_FROM": xp.where(fires, xp.where(d.yes(0.55), 0.0, d.uniform(0.2, 4.0)), NEVER),
        "FIRING": which,
        "BOOST": xp.where(d.yes(0.5), d.log(0.2, 0.8), d.uniform(0.4, 2.2)),
        "SPARK": d.uniform(-0.15, 0.35),
        "CATCHES": xp.where(d.yes(0.5), 1.0, d.uniform(0.2, 1.0)),
    }


def starter(d: Draw, row: dict[str, Any]) -> dict[str, Any]:
    """Return a starter and battery that turn the engine, and the inertia that gives the wanted lag."""
    xp, rod2 = d.xp, row["ROD"] ** 2
    a = xp.linspace(-130, 0, 66, dtype=xp.float32)[:, None] * DEG

    def lifted(q: Any) -> Any:
        return 0.5 * (1 + row["ROD"] - xp.cos(q) - xp.sqrt(rod2 - xp.sin(q) ** 2))

    slope = 0.5 * xp.sin(a) * (1 + xp.cos(a) / xp.sqrt(rod2 - xp.sin(a) ** 2))
    ratio = (row["clearance"] + lifted(row["ivc"])) / (row["clearance"] + lifted(a))
    pressure = row["MANIFOLD"] * xp.maximum(ratio, 0.1) ** row["GAMMA"]
    peak = xp.abs((pressure - 1) * slope).max(0) * row["GAS"]
    least = (row["share"] + peak * (0.85 if d.count > 5 else 1.0)) * d.uniform(0.7, 1.9)
    stall = xp.maximum(d.uniform(1.5, 1.9), least)
    lag = xp.where(d.yes(0.25), d.log(0.003, 0.25), d.log(0.006, 0.1))
    inertia, part = lag * (stall - 1), d.uniform(0.03, 0.7)
    kind = d.uniform(0.0, 1.0)
    return {
        "lag": lag,
        "STALL": stall,
        "ARMATURE": inertia * part,
        "ENGINE": inertia * (1 - part),
        "DRAG": d.uniform(0.0, 0.1),
        "COIL": d.log(0.0003, 0.007),
        "BASE_FLUX": xp.where(kind < 0.52, 1.0, xp.where(kind < 0.84, d.uniform(0.0, 0.1), d.uniform(0.1, 0.75))),
        "KNEE": d.log(0.35, 2.5),
        "SHARP": d.uniform(1.0, 4.0),
        "REACTION": xp.where(d.yes(0.6), d.uniform(0.0, 0.55), 0.0),
        "BRUSH": stall * d.uniform(0.01, 0.14),
        "POLAR": d.uniform(0.0, 0.18),
        "POLAR_TIME": d.log(0.02, 4.0),
        "SAG": xp.where(d.yes(0.8), d.uniform(-0.003, 0.012), d.uniform(0.0, 0.05)),
        "WARM": xp.where(d.yes(0.5), d.uniform(0.0, 0.03), 0.0),
    }
