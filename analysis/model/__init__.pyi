from .estimation import NO_RIVAL, Estimate, estimate, find_rates
from .gas import HEALTHY_LOSS, POLYTROPE, leaking_pressures

__all__ = [
    "Estimate", "HEALTHY_LOSS", "NO_RIVAL", "POLYTROPE", "estimate", "find_rates", "leaking_pressures",
]
