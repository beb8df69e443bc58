"""A board lent over the network: frames, the proof of a secret, the side that lends; see `viewer/docs/network.md`."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
