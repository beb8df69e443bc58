"""Prints the tables of the hardware notes from simulations of their circuits.

``python hardware_notes/circuits/tables.py`` prints all of them; ``--write`` puts each into the page that has its mark,
``<!-- table NAME -->`` before it and ``<!-- end -->`` after it. The tests compare pages and simulations.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from math import pi
from pathlib import Path

import numpy as np
from ngspice import measure, waveforms

from crankfold.acquire import smallest_leak_percent
from crankfold.analysis import Engine, least_rate_hz

NOTES = Path(__file__).resolve().parents[1]
MARKED = re.compile(r"(<!-- table (\S+) -->\n).*?(<!-- end -->)", re.DOTALL)
FILTERS_NF = {500: 680, 1000: 330, 2000: 150, 4000: 82, 5000: 68, 10_000: 33, 20_000: 15, 100_000: 3.3}
HUMP_HZ = 20.0  # of an eight at 300 rpm, the fastest humps there are
PHASES = 50  # moments at which a board may happen to sample
AROUND_S = 0.014  # a spark's pulse lies within
MIN_ROOM_A = 300.0  # as `crankfold check` asks for
FOUR = Engine((1, 3, 4, 2))
CLAMP_NOISE_A = 1.5  # of a low-cost clamp, one sample
Row = tuple[str, ...]


@dataclass(frozen=True)
class Board:
    """A kind of board with a probe: scale at its input, converter, room above zero, noise in counts."""

    kind: str
    probe: str
    mv_per_a: float
    bits: int
    span_v: float
    above_v: float
    rate_hz: float
    noise_counts: float
    price: str
    isolated: str = "no"


BOARDS = (
    Board("10-bit microcontroller board that prints numbers", "±10 mV/A, halved", 5.0, 10, 5.0, 3.75, 1000.0, 0.5, "€"),
    Board("the same, without the divider", "10 mV/A from 2.5 V", 10.0, 10, 5.0, 2.5, 1000.0, 0.5, "€"),
    Board("the same, small clamp without an amplifier", "1 mV/A", 1.0, 10, 5.0, 4.5, 1000.0, 0.5, "€"),
    Board("10-bit microcontroller board with frames", "±10 mV/A, halved", 5.0, 10, 5.0, 3.75, 4000.0, 0.5, "€"),
    Board("12-bit microcontroller board, 3.3 V, USB of its own", "±10 mV/A, 56 kΩ and 12 kΩ", 1.76, 12, 3.3, 1.9,
          10_000.0, 4.0, "€"),
    Board("8-bit USB sampling board, ±5 V", "10 mV/A", 10.0, 8, 10.0, 5.0, 100_000.0, 0.5, "€€"),
    Board("8-bit USB sampling board, ±20 V range", "1 mV/A", 1.0, 8, 40.0, 20.0, 100_000.0, 0.5, "€€"),
    Board("12-bit USB sampling board, ±5 V", "10 mV/A", 10.0, 12, 10.0, 5.0, 100_000.0, 1.0, "€€€"),
    Board("bench instrument, 8 bits, ±4 V on its screen", "10 mV/A", 10.0, 8, 8.0, 4.0, 10_000.0, 1.0, "€€€",
          "no: earthed"),
    Board("16-bit isolated acquisition module, ±10 V", "10 mV/A", 10.0, 16, 20.0, 10.0, 10_000.0, 3.0, "€€€", "yes"),
    Board("data logger, 16 bits, 50 samples a second", "10 mV/A", 10.0, 16, 20.0, 10.0, 50.0, 3.0, "€€", "some"),
)


def markdown(head: Row, rows: list[Row]) -> str:
    """Return a table as Markdown, with a newline at its end."""
    return "".join(f"| {' | '.join(row)} |\n" for row in (head, ("---",) * len(head), *rows))


def dividers() -> str:
    """Return what reaches the pin through each divider."""
    got = measure("dividers.cir")
    rows = [
        ("battery 12 V (up to 16 V)", "5 V", "22 kΩ", "10 kΩ to ground", f"{got['battery12_5']:.2f} V"),
        ("battery 12 V (up to 16 V)", "3.3 V", "39 kΩ", "10 kΩ to ground", f"{got['battery12_3']:.2f} V"),
        ("battery 24 V (up to 32 V)", "5 V", "56 kΩ", "10 kΩ to ground", f"{got['battery24_5']:.2f} V"),
        ("battery 24 V (up to 32 V)", "3.3 V", "100 kΩ", "10 kΩ to ground", f"{got['battery24_3']:.2f} V"),
        ("clamp, −6 / 0 / +6 V", "5 V", "2 × 22 kΩ", "15 kΩ to 2.5 V",
         " / ".join(f"{got[name]:.2f}" for name in ("low5", "none5", "high5")) + " V"),
        ("clamp, −6 / 0 / +6 V", "3.3 V", "56 kΩ", "12 kΩ to 1.65 V",
         " / ".join(f"{got[name]:.2f}" for name in ("low3", "none3", "high3")) + " V"),
    ]
    return markdown(("from", "board", "upper", "lower", "at the pin"), rows)


def mistakes() -> str:
    """Return what 10 kohm and a Schottky pair bear."""
    got = measure("input-protection.cir")
    names = (("12", "14 V"), ("reversed", "−14 V, reversed"), ("24", "28 V"), ("60", "60 V, an injector's kick"),
             ("101", "101 V, load dump at 12 V"), ("202", "202 V, load dump at 24 V"))
    rows = [(says, f"{got[f'pin_{key}']:.2f} V", f"{1e3 * got[f'up_{key}']:.1f} mA", f"{got[f'watt_{key}']:.2f} W")
            for key, says in names]
    return markdown(("connected by mistake", "pin of a 5 V board", "through the diode", "in the 10 kΩ"), rows)


def load_dump() -> str:
    """Return peak and energy of a load dump in the resistor it meets."""
    got = measure("load-dump.cir")
    names = (("12", "12 V", "10 kΩ alone", "peak_12"), ("d12", "12 V", "22 kΩ of the divider", "peak_12"),
             ("24", "24 V", "10 kΩ alone", "peak_24"), ("d24", "24 V", "56 kΩ of the divider", "peak_24"))
    rows = [(system, f"{got[peak]:.0f} V", meets, f"{got[f'watt_{key}']:.2f} W", f"{got[f'joule_{key}']:.2f} J",
             f"{1e3 * got[f'amp_{key}']:.1f} mA") for key, system, meets, peak in names]
    return markdown(("system", "peak", "meets", "at the peak", "in all", "into the board's supply"), rows)


def leakage() -> str:
    """Return what leaking diodes add to a reading, in millivolts and in amperes of a 10 mV/A clamp."""
    got = measure("leakage.cir")
    rows = [(says, *(f"{1e3 * got[f'{when}_{key}']:.2f} mV = {got[f'{when}_{key}'] / 10e-3:.2g} A"
                     for when in ("cool", "hot"))) for key, says in (
        ("schottky", "small Schottky pair"), ("silicon", "low-leakage silicon pair"))]
    return markdown(("diodes", "at 25 °C", "at 80 °C"), rows)


def filters() -> str:
    """Return the anti-alias capacitor of each rate, and what it does."""
    got = measure("filter.cir")
    rows = []
    for rate, nanofarad in FILTERS_NF.items():
        late_ms = -1e3 * got[f"phase_{rate}"] / (2.0 * pi * HUMP_HZ)
        rows.append((f"{rate:,}", f"{nanofarad:g} nF", f"{got[f'corner_{rate}']:,.0f} Hz",
                     f"{got[f'alias_{rate}']:.0f} dB".replace("-", "−"), f"{100 * (1 - got[f'hump_{rate}']):.1f} %",
                     f"{late_ms:.1f} ms"))
    return markdown(("samples a second", "with 10 kΩ", "corner", "what folds onto a hump", "20 Hz hump lower by",
                     "later by"), rows)


def amplifiers() -> str:
    """Return where each amplifier clips and what a count is."""
    got = measure("shunt-amplifier.cir")
    cable25, cable50, shunt, clamp = 0.5 * 0.780e-3, 0.5 * 0.386e-3, 60e-3 / 500, 1e-3
    circuits = (("0.5 m of 25 mm²", cable25, 15, 5.0, "out15"), ("0.5 m of 25 mm²", cable25, 40, 5.0, "out40"),
                ("0.5 m of 50 mm²", cable50, 30, 5.0, "out30"), ("shunt 500 A / 60 mV", shunt, 50, 5.0, "out50"),
                ("clamp 1 mV/A", clamp, 5, 5.0, "out5"), ("0.5 m of 25 mm²", cable25, 9, 3.3, "low9"),
                ("shunt 500 A / 60 mV", shunt, 30, 3.3, "low33"), ("clamp 1 mV/A", clamp, 3, 3.3, "low3"))
    rows = [(probe, f"{supply:g} V", f"{gain}", f"{got[f'at150_{key}']:.2f} V", f"{1e3 * got[f'clip_{key}']:.0f} A",
             *(f"{supply / 2**bits / (gain * ohm):.2f} A" for bits in (10, 12)))
            for probe, ohm, gain, supply, key in circuits]
    return markdown(("probe", "board", "gain", "at 150 A", "clips at", "10 bits: one count", "12 bits"), rows)


def loops() -> str:
    """Return the current that takes the way through the board."""
    got = measure("ground-loop.cir")
    rows = [(says, f"{got[key]:.2g} A", fused) for key, says, fused in (
        ("good", "good, 0.4 mΩ", f"{got['good_fused']:.2g} A, the fuse holds"),
        ("loose", "loose, 40 mΩ", f"{got['loose_fused']:.2g} A, the fuse blows at once"))]
    return markdown(("negative cable", "without a fuse", "with 0.5 A in the ground wire"), rows)


def _seen(name: str, node: str, rate: int, at: float, **values: str) -> str:
    """Return the least and the most that a board of that rate sees of the pulse after `at`, in volts."""
    waves = waveforms(name, **values)
    starts = at + np.arange(PHASES) / PHASES / rate
    tops = [np.interp(np.arange(start, at + AROUND_S, 1.0 / rate), waves["time"], waves[node]).max()
            for start in starts]
    return f"{min(tops):.2f}–{max(tops):.2f} V"


def capacitive() -> str:
    """Return what a board sees of a compression and of an exhaust spark."""
    name = "capacitive-pickup.cir"
    rows = []
    for rate, drain in ((10_000, "100k"), (2000, "470k"), (1000, "470k")):
        rows += [(says, f"{rate:,}", drain.replace("k", " kΩ"), *(
            _seen(name, f"v({node})", rate, at, drain=drain) for at in (5.0e-3, 35.0e-3)))
            for node, says in (("right", "lead of one polarity"), ("upside", "of the other"))]
    rows.append(("without diodes (wrong)", "10,000", "100 kΩ", *(
        _seen(name, "v(flat)", 10_000, at) for at in (5.0e-3, 35.0e-3))))
    return markdown(("pick-up", "samples a second", "drain", "compression, 10 kV", "exhaust, 2.5 kV"), rows)


def pickups() -> str:
    """Return the levels of the other pick-ups at the pin of a 5 V board."""
    ring, coil, wire = (measure(f"{name}.cir") for name in ("inductive-pickup", "coil-primary", "coil-trigger"))
    rows = [
        ("inductive, 1 nF and 1 MΩ", f"{ring['tall']:.1f} V", f"exhaust spark {ring['short']:.1f} V"),
        ("inductive, 10 nF and 100 kΩ (wrong)", f"{ring['large']:.1f} V", "the spike has no charge for more"),
        ("coil primary, 3 × 33 kΩ and 1 kΩ", f"{coil['pin']:.1f} V", f"{coil['pin_late']:.1f} V 0.1 ms later"),
        ("coil primary, 3 × 330 kΩ and 10 kΩ (wrong)", f"{coil['pin10']:.1f} V", "too weak to fill 10 nF in 20 µs"),
        ("coil primary, 33 nF at the pin (wrong)", f"{coil['pin33']:.1f} V", "the capacitor shares the charge"),
        ("trigger wire, dip", f"{wire['rest']:.1f} to {wire['dip']:.1f} V",
         f"loads the wire with {1e6 * wire['loads']:.0f} µA"),
        ("trigger wire, dip, 3.3 V board", f"{wire['rest3']:.1f} to {max(wire['dip3'], 0):.1f} V", "the same parts"),
    ]
    return markdown(("circuit", "at the pin", "remark"), rows)


def cams() -> str:
    """Return the levels of cam sensors at the pin."""
    got = measure("cam-sensor.cir")
    rows = [("Hall, 5 V", "5 V", "100 kΩ", f"{got['hall5_5']:.1f} V"),
            ("Hall, 5 V", "3.3 V", "100 kΩ, 150 kΩ to ground", f"{got['hall5_3']:.1f} V"),
            ("Hall, 12 V (14.4 V)", "5 V", "100 kΩ, 47 kΩ to ground", f"{got['hall12_5']:.1f} V"),
            ("Hall, 12 V (14.4 V)", "3.3 V", "100 kΩ, 27 kΩ to ground", f"{got['hall12_3']:.1f} V"),
            ("inductive, ±1 V", "5 V", "100 kΩ, 100 kΩ to ground and to 5 V",
             f"{got['vr_low']:.1f} to {got['vr_high']:.1f} V")]
    return markdown(("sensor", "board", "resistors", "at the pin"), rows)


def boards() -> str:
    """Return what kinds of boards can resolve, by the rig check's own sums."""
    rows = []
    for board in BOARDS:
        step_a = board.span_v / 2**board.bits / (board.mv_per_a * 1e-3)
        noise_a = float(np.hypot(CLAMP_NOISE_A, board.noise_counts * step_a))
        room_a = board.above_v / (board.mv_per_a * 1e-3)
        leaks = [_leak(smallest_leak_percent(noise_a, step_a, board.rate_hz, hump_a=hump_a), board.rate_hz, room_a)
                 for hump_a in (40.0, 100.0)]
        rows.append((board.kind, board.probe, f"{board.rate_hz:,.0f}", f"{step_a:.2f} A", f"{room_a:,.0f} A", *leaks,
                     board.price, board.isolated))
    return markdown(("board", "probe", "samples a second", "one count", "room", "smallest leak, 40 A humps",
                     "100 A humps", "price", "isolated"), rows)


def _leak(percent: float | None, rate: float, room_a: float) -> str:
    """Return the smallest leak, or why the board cannot be used."""
    if rate < least_rate_hz(FOUR):
        return "too slow"
    if percent is None:
        return "too coarse"
    return f"{percent:.1f} %" if room_a >= MIN_ROOM_A else f"{percent:.1f} %, humps may clip"


TABLES = {made.__name__.replace("_", "-"): made for made in (
    dividers, mistakes, load_dump, leakage, filters, amplifiers, loops, capacitive, pickups, cams, boards)}


def main(arguments: list[str]) -> None:
    """Print the tables, or write them into the pages."""
    if "--write" not in arguments:
        print("\n".join(f"{name}\n\n{made()}" for name, made in TABLES.items()))
        return
    for page in sorted(NOTES.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        filled = MARKED.sub(lambda found: f"{found[1]}\n{TABLES[found[2]]()}\n{found[3]}", text)
        if filled != text:
            page.write_text(filled, encoding="utf-8")
            print(f"{page.name} written")


if __name__ == "__main__":
    main(sys.argv[1:])
