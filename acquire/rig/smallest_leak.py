"""The smallest leak that a rig can tell from none: what its noise, its counts and its rate leave of a hump.

A cylinder's hump is taken for a raised cosine of known place, ``hump_a`` from trough to top. Fitted to N samples with
white noise sigma, its height has the variance ``8 sigma^2 / N`` (least squares). A leak is the difference of two such
heights, so in percent of a hump::

    s = 100 sigma / hump * sqrt(16 / N)        N = rate * JUDGED_S / cylinders
    sigma^2 = noise^2 + step^2 / 12            a count rounds by up to half of it
    smallest leak = sqrt(METHOD^2 + (TIMES s)^2)

METHOD is what the posterior leaves open on the best of rigs, TIMES brings one standard deviation to the 95 % that the
intervals of a result state. Both are tuned, to eleven rigs with one virtual engine; the tests compare on another run.
"""

from __future__ import annotations

from math import hypot, sqrt

HUMP_A = 40.0  # trough to top, of a small petrol four; most engines show two to ten times as much
CYLINDERS = 4
JUDGED_S = 4.0  # of a longer crank the analysis takes no more
METHOD_PERCENT = 1.7  # the distance from an estimate to the end of its interval, without noise
TIMES = 1.8  # near the 1.96 that 95 % of a normal distribution ask for
MIN_COUNTS = 8.0  # in a hump; with fewer its top is flat, as if it had been cut off, and no verdict is given
ALL_PERCENT = 100.0


def smallest_leak_percent(noise_a: float, step_a: float, rate_hz: float, *, hump_a: float = HUMP_A,
                          cylinders: int = CYLINDERS) -> float | None:
    """Return what a cylinder must have lost, in percent of its compression, to stand out of a rig's noise.

    Parameters
    ----------
    noise_a
        Standard deviation of one sample on a quiet cable, amperes.
    step_a
        One count of the converter, amperes; 0 where samples are not counts.
    rate_hz
        Samples a second.
    hump_a, cylinders
        Of the engine.

    Returns
    -------
    float or None
        At most 100. None where a hump is fewer than `MIN_COUNTS` counts high.
    """
    if step_a * MIN_COUNTS > hump_a:
        return None
    sigma_a = hypot(noise_a, step_a / sqrt(12.0))
    own_samples = rate_hz * JUDGED_S / cylinders
    spread_percent = 100.0 * sigma_a / hump_a * sqrt(16.0 / own_samples)
    return min(ALL_PERCENT, hypot(METHOD_PERCENT, TIMES * spread_percent))
