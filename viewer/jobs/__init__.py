"""The job book: which captures a folder holds, found by engine, plate, customer, date and finding."""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
