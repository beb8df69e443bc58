"""A cranking that begins without humps: a decompressor, valve or lever, that shuts while the starter turns.

What is judged then starts after it has shut and the speed has settled.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from crankfold.analysis.signal.trace import CrankingTrace

BLOCK_S = 0.02  # far shorter than a hump
PAST_INRUSH_S = 0.3  # the in-rush itself falls steeply for about so long
SMOOTH_SHARE = 0.3  # of the humps' height later on: what has no humps varies less than this
LEAST_SMOOTH_S = 0.2  # after the in-rush; what is shorter is left out with it anyway
ALIKE = 0.8  # of the smooth beginning: a later stretch so long and so smooth is how this engine always looks
HIGHEST_LEVEL = 0.65  # of the later humps' height: without compression it takes no more; clipped humps lie at the top
SETTLE_S = 0.5  # the flywheel gives the first humps some of its speed
LEAST_LEFT_S = 0.5  # of cranking after that, to see humps at all


def after_decompressor(trace: CrankingTrace) -> tuple[CrankingTrace, float | None]:
    """Return the trace judged from where the decompressor has shut, and when that was, seconds from the onset.

    The trace as it is, and None, where the cranking does not begin without humps. An engine whose humps are far apart
    is smooth between them too, but as long again later; a decompressor shuts once.
    """
    first = int(np.searchsorted(trace.time_s, trace.crank.start_s + PAST_INRUSH_S))
    stop = trace.steady.stop
    size = max(1, round(BLOCK_S * trace.rate_hz))
    body = trace.smooth[first:stop]
    body = body[: len(body) // size * size].reshape(-1, size)
    if not trace.has_onset or len(body) * BLOCK_S < 2 * LEAST_SMOOTH_S or not np.isfinite(body).all():
        return trace, None
    high, low = body.max(axis=1), body.min(axis=1)
    late = slice(len(body) // 2, None)
    foot = float(np.percentile(low[late], 5))
    tall = float(np.percentile(high[late], 95)) - foot
    spread = np.maximum.accumulate(high) - np.minimum.accumulate(low)
    humps = int(np.argmax(spread > SMOOTH_SHARE * tall)) if (spread > SMOOTH_SHARE * tall).any() else 0
    if humps * BLOCK_S < LEAST_SMOOTH_S or float(np.median(body[:humps])) > foot + HIGHEST_LEVEL * tall:
        return trace, None
    width = max(2, round(ALIKE * humps))
    later_high = np.lib.stride_tricks.sliding_window_view(high[humps:], width) if len(high) - humps >= width else None
    if later_high is None:
        return trace, None
    later_low = np.lib.stride_tricks.sliding_window_view(low[humps:], width)
    if ((later_high.max(axis=1) - later_low.min(axis=1)) <= SMOOTH_SHARE * tall).any():
        return trace, None
    shut_s = float(trace.time_s[first + humps * size])
    if trace.steady_to_s - shut_s < SETTLE_S + LEAST_LEFT_S:
        return trace, None
    steady_s = max(trace.steady_from_s, shut_s + SETTLE_S)
    return replace(trace, steady_from_s=steady_s), shut_s - trace.crank.start_s
