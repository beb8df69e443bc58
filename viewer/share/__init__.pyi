from .addresses import LOOPBACK, Place, Shared, place_of
from .code import code_of
from .server import Sharing
from .told import told_of

__all__ = [
    "LOOPBACK", "Place", "Shared", "Sharing", "code_of", "place_of", "told_of",
]
