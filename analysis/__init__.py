"""From a capture to a result: pure functions on arrays; no board, file or screen.

The one way in is ``analyse``::

    from crankfold.analysis import Capture, Engine, analyse

    result = analyse(Capture.from_arrays(current, rate_hz=10_000.0), Engine((1, 3, 4, 2)))

`Capture` holds samples in units, their rate and gaps; `Engine` the firing order and intervals; `Result` the verdict,
each cylinder's relative compression in percent with its 95 % range, and codes (never sentences) for reasons and
cautions. ``compare``, ``pooled_cranks`` and ``study`` take several results of one engine. Input that contradicts
itself raises `InputError`. How the number is made stands in analysis/README.md.

Names are loaded on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
