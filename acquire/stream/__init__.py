"""From a source to a caught crank: ring buffer, clock, trigger, recorder and journal."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
