from .borrower import RefusedError
from .description import described, understood
from .frames import PORT, VERSION, FrameReader, frame
from .history import History
from .lender import Lender, LendingNews, beyond_this_computer
from .secret import BORROWER, LENDER, checked_secret, new_secret, nonce, proof, proves, secret_in
from .streaming_layer import lsl_outlet

__all__ = [
    "BORROWER", "FrameReader", "History", "LENDER", "Lender", "LendingNews", "PORT", "RefusedError", "VERSION",
    "beyond_this_computer", "checked_secret", "described", "frame", "lsl_outlet", "new_secret", "nonce", "proof",
    "proves", "secret_in", "understood",
]
