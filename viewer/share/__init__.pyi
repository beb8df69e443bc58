from .addresses import LOOPBACK, Place, place_of
from .server import Sharing
from .told import told_of

__all__ = [
    "LOOPBACK", "Place", "Sharing", "place_of", "told_of",
]
