"""The forward model that is fitted to the trace: starter, clutch, gas and load, and the solver for it."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
