"""Whether a rig tells the truth: rate, loss, noise, zero, room, mains and resolution, measured on a quiet cable."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.errors import AcquireError, BoardStalledError
from crankfold.acquire.rig.quality import HUMP_A, SineFit, fit_sine, smallest_leak_percent, tone
from crankfold.acquire.stream import ClockFit, FittedRate, Piece, make_capture
from crankfold.analysis import CURRENT, SYNC, Engine, Gap, least_rate_hz

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from crankfold.acquire.contract import Block, Source
    from crankfold.analysis import Capture, Channel

READ_S = 0.1
FIRST_SAMPLE_S = 6.0  # a board that restarts when it is opened takes up to five
STALL_S = 1.0
MAX_SAMPLES = 20_000_000

USUAL = Engine((1, 3, 4, 2))
MOST_CYLINDERS = 12  # with a rate for so many, nobody needs to be told how many it is good for
MAX_RATE_ERROR = 0.01  # shared by every interval in time; angles do not depend on it
MAX_NOISE_A = 5.0  # standard deviation; a tenth of the smallest humps (some 50 A), before pooling takes most of it
MAX_STEP_A = 4.0  # amperes a count; then a hump of 50 A is a dozen counts high
MAX_MAINS_A = 20.0  # peak; the low-pass takes 50 Hz down by far more than it takes humps
MIN_ROOM_A = 300.0  # above the zero; small engines hump below that, their in-rush may be cut off
SINE_SHARE = 0.1  # of the full range: a generator is on
SINE_PERIODS = 5.0  # in the record, at least: a wandering zero looks like a piece of a very slow sine
SINE_PURITY = 0.05  # what is left over amplitude, at most, for a generator
MIN_EFFECTIVE_BITS = 7.0  # records of eight bits cost the estimate nothing that could be measured
MAINS_HZ = (50.0, 60.0)
ZERO_AT_END = 0.01  # of the range: then current can only be seen in one direction
DRIFT_SHARE = 0.25  # of the record at either end, for the zero's drift
MAX_LEAK_PERCENT = 12.5  # half way to the 75 % limit: beyond, a healthy and a low cylinder cannot be told apart
MAX_DRIFT_NOISES = 10.0  # of the noise, or of MAX_NOISE_A: a zero that wanders more is no quiet cable
MAX_DRIFT_A = 20.0  # however large the noise: not half of the smallest humps, and a noisy rig hides no moving zero


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at.

    Parameters
    ----------
    code
        What: ``columns``, ``rate``, ``rate-low``, ``rate-for``, ``lost``, ``silent-channel``, ``steady-channel``,
        ``noise``, ``resolution``, ``room``, ``clipped``, ``one-way``, ``mains``, ``drift``, ``leak``, ``bits``,
        ``jitter``.
    passed
        Whether it is as it should be.
    facts
        The numbers, unit in each name.
    """

    code: str
    passed: bool
    facts: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Observation:
    """A stretch of a running source.

    Parameters
    ----------
    capture
        What came, in the source's units.
    nominal_hz
        What the source says its rate is.
    fitted
        The rate found from arrivals, None for sources that are not live or too short a stretch.
    jitter_s
        Spread (95th percentile) of arrivals round the fitted line, seconds.
    lost, unknown_losses
        Samples counted lost, and times that an unknown number was.
    guessed_of
        Columns among which the current had to be guessed, 0 where it is known.
    """

    capture: Capture
    nominal_hz: float
    fitted: FittedRate | None
    jitter_s: float
    lost: int
    unknown_losses: int
    guessed_of: int = 0


def observe(source: Source, seconds: float, on_progress: Callable[[float], None] | None = None) -> Observation:
    """Return a stretch of a source that is open and not started; closes it.

    Parameters
    ----------
    source
        Open.
    seconds
        How much of its stream to take; a finite source may end before.
    on_progress
        Called with the share done, 0 to 1.

    Raises
    ------
    AcquireError
        The stream breaks, stalls or gives nothing.
    """
    blocks: list[Block] = []
    clock, arrivals = ClockFit(source.info.rate_hz), []
    with source:
        source.start()
        heard_s, wanted = time.monotonic(), min(MAX_SAMPLES, round(seconds * source.info.rate_hz))
        taken = 0
        while taken < wanted and not source.finished:
            block = source.read(READ_S)
            if block is None:
                patience = STALL_S if blocks else FIRST_SAMPLE_S
                if not source.finished and time.monotonic() - heard_s > patience:
                    raise BoardStalledError(f"{source.info.title} has sent nothing for {patience:g} s",
                                            "check its cable, its settings and that its program runs")
                continue
            heard_s = block.arrived_s
            blocks.append(block)
            taken += len(block.codes)
            clock.add(block.next_index, block.arrived_s)
            arrivals.append((float(block.next_index), block.arrived_s))
            if on_progress is not None:
                on_progress(min(1.0, taken / wanted))
    if not taken:
        raise AcquireError(f"{source.info.title} gave no samples", "check that it is wired and set up to send")
    fitted = clock.fitted() if source.info.live else None
    rate_hz = source.measured_rate_hz or (fitted.rate_hz if fitted else source.info.rate_hz)
    return Observation(_capture(blocks, source, rate_hz), source.info.rate_hz, fitted,
                       _jitter(np.array(arrivals), rate_hz) if source.info.live else 0.0,
                       sum(b.lost_before or 0 for b in blocks), sum(b.lost_before is None for b in blocks),
                       len(source.info.columns) if source.info.guessed else 0)


def check_rig(observed: Observation, in_amperes: Capture, engine: Engine = USUAL) -> tuple[Finding, ...]:
    """Return what is right and what is wrong with a rig, from a stretch of a quiet cable.

    Parameters
    ----------
    observed
        From `observe`.
    in_amperes
        The same capture after the probe, its current in amperes, or in another unit where no scale is known.
    engine
        Whose humps the rate has to resolve; a four-cylinder unless given.
    """
    guess = [Finding("columns", False, {"count": observed.guessed_of})] if observed.guessed_of else []
    findings = [*guess, *_rate(observed, engine), _lost(observed)]
    for channel, column in zip(in_amperes.channels, in_amperes.samples.T, strict=True):
        good = column[np.isfinite(column)]
        if len(good):
            findings += _column(channel, good, in_amperes.rate_hz, engine)
    return tuple(findings)


def _capture(blocks: list[Block], source: Source, rate_hz: float) -> Capture:
    """Return the blocks as one capture; where an unknown number was lost, as if none had been."""
    info, first = source.info, blocks[0].first_index
    codes = np.zeros((len(info.channels), blocks[-1].next_index - first), info.dtype)
    gaps = []
    for before, block in zip([None, *blocks], blocks, strict=False):
        at = block.first_index - first
        codes[:, at : at + len(block.codes)] = block.codes.T
        if before is not None and block.lost_before:
            gaps.append(Gap(at - block.lost_before, block.lost_before))
    return make_capture(Piece(codes, 0, tuple(gaps)), info, rate_hz=rate_hz)


def _jitter(arrivals: NDArray[np.float64], rate_hz: float) -> float:
    late = arrivals[:, 1] - arrivals[:, 0] / rate_hz
    return float(np.percentile(late - late.min(), 95))


def _rate(observed: Observation, engine: Engine) -> list[Finding]:
    found = []
    if observed.fitted is not None:
        deviation = observed.fitted.deviation
        found.append(Finding("rate", not observed.fitted.beyond(MAX_RATE_ERROR), {
            "rate_hz": observed.fitted.rate_hz, "nominal_hz": observed.nominal_hz,
            "deviation_percent": 100.0 * deviation, "uncertainty_percent": 100.0 * observed.fitted.uncertainty}))
        found.append(Finding("jitter", True, {"jitter_ms": 1e3 * observed.jitter_s}))
    rate_hz, needed_hz = observed.capture.rate_hz, least_rate_hz(engine)
    if rate_hz < needed_hz:
        found.append(Finding("rate-low", False, {"rate_hz": rate_hz, "needed_hz": needed_hz,
                                                 "cylinders": engine.cylinders}))
    elif (enough := int(rate_hz / needed_hz * engine.cylinders)) < MOST_CYLINDERS:
        found.append(Finding("rate-for", True, {"cylinders": enough}))
    return found


def _lost(observed: Observation) -> Finding:
    total = len(observed.capture.samples)
    return Finding("lost", observed.lost == 0 and observed.unknown_losses == 0, {
        "lost": observed.lost, "total": total, "unknown": observed.unknown_losses})


def _column(channel: Channel, values: NDArray[np.float64], rate_hz: float, engine: Engine) -> list[Finding]:
    """Return the findings of one column that holds a quiet signal, or a generator's sine."""
    name, unit = channel.name, channel.unit
    if float(np.ptp(values)) == 0.0:
        silent = name in {CURRENT, SYNC}  # a battery at rest, or a switch, may well stay where it is
        return [Finding("silent-channel" if silent else "steady-channel", not silent,
                        {"channel": name, "value": float(values[0]), "unit": unit})]
    limits = channel.value_range()
    sine = fit_sine(values, rate_hz)
    if limits is not None and sine is not None and _from_generator(sine, limits[1] - limits[0], len(values) / rate_hz):
        bits = sine.effective_bits(limits[1] - limits[0])
        return [Finding("bits", bits >= MIN_EFFECTIVE_BITS, {
            "channel": name, "bits": bits, "sine_hz": sine.frequency_hz})]
    found = []
    if limits is not None:
        found.append(_clipped(name, values, limits))
    return found + (_current(channel, values, rate_hz, engine) if name == CURRENT else [])


def _from_generator(sine: SineFit, full_range: float, length_s: float) -> bool:
    return (sine.amplitude > SINE_SHARE * full_range and sine.residual_rms < SINE_PURITY * sine.amplitude
            and sine.frequency_hz * length_s >= SINE_PERIODS)


def _clipped(name: str, values: NDArray[np.float64], limits: tuple[float, float]) -> Finding:
    span = limits[1] - limits[0]
    at_end = (values <= limits[0] + 1e-9 * span) | (values >= limits[1] - 1e-9 * span)
    zero = float(np.median(values))
    if min(zero - limits[0], limits[1] - zero) < ZERO_AT_END * span:  # a shunt on a converter that starts at zero
        return Finding("one-way", True, {"channel": name})
    return Finding("clipped", not at_end.any(), {"channel": name, "percent_of_time": 100.0 * float(np.mean(at_end)),
                                                 "used_percent": 100.0 * float(np.ptp(values)) / span})


def _current(channel: Channel, values: NDArray[np.float64], rate_hz: float, engine: Engine) -> list[Finding]:
    """Return the findings of the current on a cable that should carry nothing."""
    unit, known = channel.unit, channel.unit == "A"
    zero = float(np.median(values))
    noise = _noise(values)
    step = abs(channel.scale) if channel.code_range is not None else 0.0
    facts: dict[str, float | int | str] = {"channel": channel.name, "noise": noise, "unit": unit,
                                              "zero": zero}
    found = [Finding("noise", not known or noise <= MAX_NOISE_A, facts)]
    if known and step:
        found.append(Finding("resolution", step <= MAX_STEP_A, {"step": step, "wanted_a": MAX_STEP_A}))
    limits = channel.value_range()
    if known and limits is not None:
        room = max(limits[1] - zero, zero - limits[0])
        found.append(Finding("room", room >= MIN_ROOM_A, {"room_a": room, "wanted_a": MIN_ROOM_A}))
    amplitude = 0.0
    mains = max(MAINS_HZ, key=lambda f: tone(values, rate_hz, f) if rate_hz > 2.5 * f else 0.0)
    if rate_hz > 2.5 * mains:
        amplitude = tone(values, rate_hz, mains)
        found.append(Finding("mains", not known or amplitude <= MAX_MAINS_A,
                             {"amplitude": amplitude, "unit": unit, "frequency_hz": mains}))
    if known:  # hum is a fault of its own, and the analysis takes it out
        found += _leak(float(np.sqrt(max(0.0, noise**2 - 0.5 * amplitude**2))), step, rate_hz, engine.cylinders)
    part = max(1, int(DRIFT_SHARE * len(values)))
    drift = float(np.median(values[-part:]) - np.median(values[:part]))
    allowed = MAX_DRIFT_NOISES * noise
    if known:
        allowed = min(max(allowed, MAX_NOISE_A), MAX_DRIFT_A)
    found.append(Finding("drift", abs(drift) <= allowed, {"drift": drift, "unit": unit}))
    return found


def _leak(noise_a: float, step_a: float, rate_hz: float, cylinders: int) -> list[Finding]:
    """Return what the rig can resolve; nothing where its counts are too coarse, which ``resolution`` says."""
    percent = smallest_leak_percent(noise_a, step_a, rate_hz, cylinders=cylinders)
    if percent is None:
        return []
    facts = {"leak_percent": percent, "hump_a": HUMP_A, "cylinders": cylinders}
    return [Finding("leak", percent <= MAX_LEAK_PERCENT, facts)]


def _noise(values: NDArray[np.float64]) -> float:
    """Return the standard deviation of a quiet signal with its slow wander taken out, in its unit."""
    pieces = np.array_split(values, max(1, len(values) // 1000))
    return float(np.sqrt(np.mean([np.var(piece) for piece in pieces])))
