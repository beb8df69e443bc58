"""Plots one can read off: envelopes of many samples, what stands under the pointer, and the gestures for all that."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
