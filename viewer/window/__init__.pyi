from .asking import NoEngineError, wanted_of
from .run import run_window
from .screen import check_screen

__all__ = [
    "NoEngineError", "check_screen", "run_window", "wanted_of",
]
