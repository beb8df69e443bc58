from .estimation import NO_RIVAL, Estimate, estimate, find_rates
from .gas import HEALTHY_LOSS, POLYTROPE, gas_table, leaking_pressures, slowed_torques
from .options import FitOptions
from .solver import Quadratic, minimise

__all__ = [
    "Estimate", "FitOptions", "HEALTHY_LOSS", "NO_RIVAL", "POLYTROPE", "Quadratic", "estimate", "find_rates",
    "gas_table", "leaking_pressures", "minimise", "slowed_torques",
    "Estimate", "HEALTHY_LOSS", "NO_RIVAL", "POLYTROPE", "Quadratic", "estimate", "find_rates", "gas_table",
    "leaking_pressures", "minimise", "slowed_torques",
from .gas import HEALTHY_LOSS, POLYTROPE, leaking_pressures, peak_lead

__all__ = [
    "Estimate", "HEALTHY_LOSS", "NO_RIVAL", "POLYTROPE", "estimate", "find_rates", "leaking_pressures", "peak_lead",
]
