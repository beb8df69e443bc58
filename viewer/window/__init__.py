"""The window: its states and arithmetic without Qt, and the widgets that draw them. Qt is imported nowhere else."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
