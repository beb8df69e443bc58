"""Strip, fold and wheel: drawing arithmetic, a small scene of primitives, and its SVG and PNG writers. No Qt here."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
