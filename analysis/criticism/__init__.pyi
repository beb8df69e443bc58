from .doubts import after_verdict
from .other_loads import no_cranking
from .refusal import after_fit, before_fit, holds, once, one_cylinder
from .second_look import look_again

__all__ = [
    "after_fit", "after_verdict", "before_fit", "holds", "look_again", "no_cranking", "once", "one_cylinder",
]
