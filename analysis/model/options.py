"""What the fit may use: every refinement can be left out, so that its worth can be measured."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FitOptions:
    """Switches of the fit; the defaults are the method, the rest serves the ablation table.

    Parameters
    ----------
    leak_table
        A leaking cylinder's hump changes shape; off: the healthy shape scaled.
    filling_table
        Ask of each low cylinder whether it fills badly or has too large a clearance instead of leaking.
    slowing
        A leak has more time where the crank is slow; off: a steady crank.
    continuation
        Lower the observer's gain in many steps; off: straight to the true model.
    tracking
        Follow the cycle through the trace; off: one mean rate.
    free_ratio, free_push, free_hold_in, free_lag
        Fit the compression ratio, the push-back, the hold-in current, the electrical lag; off: fixed at their priors.
    more_starts
        Try other starts when the first does not explain enough.
    drift, drift_sd
        Change of the stall current from first to last where something else has measured it, and how well; None: fitted.
    prior_scale
        Weight of a prior one spread off, as the root of a share of the variance.
    """

    leak_table: bool = True
    filling_table: bool = True
    slowing: bool = True
    continuation: bool = True
    tracking: bool = True
    free_ratio: bool = True
    free_push: bool = True
    free_hold_in: bool = True
    free_lag: bool = True
    more_starts: bool = True
    prior_scale: float = 0.003
    drift: float | None = None
    drift_sd: float = 0.005


FULL = FitOptions()
