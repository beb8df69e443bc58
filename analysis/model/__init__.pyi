from .estimation import NO_RIVAL, Estimate, estimate, find_rates

__all__ = [
    "Estimate", "NO_RIVAL", "estimate", "find_rates",
]
