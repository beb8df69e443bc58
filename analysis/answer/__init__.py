"""From an estimate to what is answered: verdict, pattern, health, cautions and hints."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
