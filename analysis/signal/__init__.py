"""From samples to one cranking: zero, polarity, noise, onset, in-rush, release, cycle rate."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
