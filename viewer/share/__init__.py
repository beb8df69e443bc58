"""The phone page: the live standing and the last result in any browser, for whoever sits in the driver's seat."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
