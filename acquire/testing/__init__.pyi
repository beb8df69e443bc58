from .outcome import BROKEN, KEPT
from .source_contract import run_contract

__all__ = [
    "BROKEN", "KEPT", "run_contract",
]
