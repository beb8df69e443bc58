from .doubt import after_estimate, one_cylinder
from .other_loads import no_cranking
from .refusal import before_estimate, once

__all__ = [
    "after_estimate", "before_estimate", "no_cranking", "once", "one_cylinder",
]
