from .doubt import after_estimate, one_cylinder, rhythm_against
from .refusal import before_estimate, no_cranking, once

__all__ = [
    "after_estimate", "before_estimate", "no_cranking", "once", "one_cylinder", "rhythm_against",
]
