"""The pages of the window beside the one on which an engine is tested: start, choices, forms, job book."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
