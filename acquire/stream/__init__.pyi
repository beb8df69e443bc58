from .caught import make_capture
from .clock import ClockFit, FittedRate
from .ring import Piece

__all__ = [
    "ClockFit", "FittedRate", "Piece", "make_capture",
]
