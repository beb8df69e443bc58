from .doubts import after_verdict
from .other_loads import no_cranking
from .refusal import after_fit, before_fit, holds, once, one_cylinder
from .second_look import look_again
from .doubt import after_estimate, one_cylinder
from .refusal import MIN_CYCLES, before_estimate, no_cranking, once

__all__ = ["MIN_CYCLES", "after_estimate", "before_estimate", "no_cranking", "once", "one_cylinder"]
