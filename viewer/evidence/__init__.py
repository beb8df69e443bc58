"""Evidence: gauge readings, seals, bundles to give away, and how results compare with what the gauge said."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
