from .estimation import NO_RIVAL, Estimate, estimate, find_rates
from .gas import HEALTHY_LOSS, POLYTROPE, gas_table, leaking_pressures, peak_lead, slowed_torques
from .options import FitOptions
from .solver import Quadratic, minimise

__all__ = [
    "Estimate", "FitOptions", "HEALTHY_LOSS", "NO_RIVAL", "POLYTROPE", "Quadratic", "estimate", "find_rates",
    "gas_table", "leaking_pressures", "minimise", "peak_lead", "slowed_torques",
]
