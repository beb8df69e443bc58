from .distribution import TOP, below, quantiles
from .estimation import Estimate, Rival, estimate, estimates
from .rates import find_rates

__all__ = [
    "Estimate", "Rival", "TOP", "below", "estimate", "estimates", "find_rates", "quantiles",
]
