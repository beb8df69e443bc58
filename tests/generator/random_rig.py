"""Random rigs, and the CSV files that loggers write."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from draws import Rng, log_span, pick, span

from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import Recording, RigSpec, nice_above

if TYPE_CHECKING:
    from pathlib import Path

    from random_bench import Drawn

RATES = {"500": 2, "1000": 3, "2000": 5, "5000": 8, "10000": 5, "20000": 3, "50000": 0.5, "100000": 0.25}
CLAMPS = {"1": 3, "4": 3, "10": 4, "2": 1, "20": 0.5}
BITS = {"8": 2, "10": 4, "12": 4, "14": 1, "16": 3}
DIALECTS = 7
CHEAP = 0.15  # share of boards with late and lost samples, one row in a hundred
CAM_EDGES = (200.0, -30.0, 0.0, 40.0, 115.0, 310.0)


def companions(order: tuple[int, ...], fire_deg: tuple[float, ...]) -> set[int]:
    """Return the cylinders that share their TDC with another, 360 degrees apart."""
    at = np.asarray(fire_deg)
    return {c for c, a in zip(order, at, strict=True) if np.any(np.abs(np.mod(at - a, 720.0) - 360.0) < 0.5)}


def random_lead(rng: Rng, drawn: Drawn, rate_hz: float, kinds: dict[str, float]) -> SyncLead:
    engine = drawn.run.bench.engine
    paired = companions(engine.firing_order, engine.fire_deg) if engine.strokes == 4 else set()
    fast = rate_hz >= 1000.0
    allowed = {k: w for k, w in kinds.items()
               if (k != "waste-spark" or paired) and (fast or "spark" not in k)}
    kind = pick(rng, allowed or {"none": 1.0})
    choices = sorted(paired) if kind == "waste-spark" else engine.firing_order
    cylinder = int(choices[int(rng.integers(len(choices)))])
    if kind == "cam":
        edge = CAM_EDGES[int(rng.integers(len(CAM_EDGES)))] if rng.uniform() < 0.6 else round(span(rng, -300, 300))
        return SyncLead("cam", cylinder, edge, noise=log_span(rng, 0.01, 0.15), width_deg=span(rng, 60, 240))
    if kind in ("waste-spark", "single-spark"):
        return SyncLead(kind, cylinder, span(rng, -10.0, -5.0), inverted=bool(rng.uniform() < 0.25),
                        kv_still=span(rng, 1.5, 2.2), kv_per_bar=log_span(rng, 0.45, 0.8),
                        peak_ms=log_span(rng, 0.06, 0.3), burn_ms=span(rng, 0.8, 2.0), noise=log_span(rng, 0.02, 0.2))
    if kind == "pressure":
        return SyncLead("pressure", cylinder, noise=log_span(rng, 0.01, 0.2))
    return SyncLead()


SYNC_KINDS = {"none": 0.35, "waste-spark": 0.25, "single-spark": 0.2, "cam": 0.2}


def random_rig(rng: Rng, drawn: Drawn, kinds: dict[str, float] | None = None) -> RigSpec:
    rate = float(pick(rng, RATES))
    amps = drawn.run.current_a
    inrush = float(amps.max())
    steady = steady_current(drawn)
    clamp = float(pick(rng, CLAMPS))
    limit = None
    if rng.uniform() < 0.15 and inrush > 1.4 * steady.max():  # the in-rush alone leaves the clamp's range
        limit = span(rng, 1.25 * float(steady.max()), inrush)
    bits = int(pick(rng, BITS))
    cheap = rng.uniform() < CHEAP  # a board that a busy computer reads
    return RigSpec(
        rate_hz=rate, rate_error=0.25 if rng.uniform() < 0.04 else float(rng.normal(0, 2e-3)), clamp_mv_per_a=clamp,
        gain_error=float(rng.normal(0.0, 0.02)), offset_a=span(rng, -4.0, 4.0), drift_a_per_s=span(rng, -0.3, 0.3),
        noise_a=log_span(rng, 0.002, 0.015) * float(np.median(steady)), bandwidth_hz=log_span(rng, 1000.0, 20000.0),
        limit_a=limit, polarity=-1 if rng.uniform() < 0.2 else 1, hash_share=log_span(rng, 0.005, 0.04),
        hash_harmonic=span(rng, 0.0, 0.6), hum_a=log_span(rng, 0.05, 2.0),
        mains_hz=50.0 if rng.uniform() < 0.6 else 60.0,
        bits=bits, full_scale=nice_above((inrush + 30.0) * clamp * 1e-3), skew_s=span(rng, 0.0, 0.5) / rate,
        remanence=0.0 if rng.uniform() < 0.3 else log_span(rng, 0.001, 0.015),
        late=log_span(rng, 0.002, 0.02) if cheap else 0.0, late_s=log_span(rng, 0.5, 5.0) / rate,
        lost=log_span(rng, 0.001, 0.015) if cheap and rng.uniform() < 0.6 else 0.0,
        sync=random_lead(rng, drawn, rate, kinds or SYNC_KINDS))


def steady_current(drawn: Drawn) -> np.ndarray:
    run, truth = drawn.run, drawn.truth
    inside = (run.time_s > truth.onset_s + 0.5) & (run.time_s < truth.end_s - 0.06)
    return run.current_a[inside] if inside.any() else run.current_a


@dataclass(frozen=True)
class Table:
    """What goes into the file: time in s, current in V, sync in its unit or None; `dialect` says how."""

    time_s: np.ndarray
    current_v: np.ndarray
    sync: np.ndarray | None
    sync_unit: str
    dialect: int
    swapped: bool = False

    def kept(self, rows: np.ndarray) -> Table:
        return replace(self, time_s=self.time_s[rows], current_v=self.current_v[rows],
                       sync=None if self.sync is None else self.sync[rows])


def as_table(recording: Recording, dialect: int) -> Table:
    values = [c.values(recording.codes[:, k]) for k, c in enumerate(recording.columns)]
    whole = Table(np.arange(len(recording.codes)) / recording.rate_hz, values[0],
                  values[1] if len(values) > 1 else None, recording.columns[1].unit if len(values) > 1 else "", dialect)
    return whole.kept(recording.arrived)


def csv_text(table: Table) -> str:
    """Return the file's text; dialects differ in header, unit row, separators, decimal sign, units and line ends."""
    style = table.dialect
    milli = style in (2, 6)
    columns = [table.time_s * (1e3 if milli else 1.0), table.current_v * (1e3 if milli else 1.0)]
    units = ["ms" if milli else "s", "mV" if milli else "V"]
    names = ["Time", "Clamp"]
    if table.sync is not None:
        columns.append(table.sync)
        units.append(table.sync_unit)
        names.append("Sync")
    if table.swapped and len(columns) == 3:
        columns[1], columns[2] = columns[2], columns[1]
    separator = ";" if style in (1, 5) else ","
    rows = [separator.join(f"{v:.9g}" if k == 0 else f"{v:.6g}" for k, v in enumerate(row))
            for row in zip(*(c.tolist() for c in columns), strict=True)]
    if separator == ";":
        rows = [row.replace(".", ",") for row in rows]
    together = separator.join(f"{n} ({u})" for n, u in zip(names, units, strict=True))
    head = {0: [together], 1: [separator.join(names), separator.join(f"({u})" for u in units)],
            2: [separator.join(names), separator.join(f"({u})" for u in units)],
            3: ["# harbour logger", "# rig: cart", together], 4: [], 5: [together], 6: [together]}[style]
    ending = "\r\n" if style in (1, 6) else "\n"
    return ("\ufeff" if style in (1, 5) else "") + ending.join([*head, *rows]) + ending


def write_csv(path: Path, table: Table) -> None:
    with gzip.GzipFile(path, "wb", compresslevel=4, mtime=0) as file:
        file.write(csv_text(table).encode("utf-8"))
