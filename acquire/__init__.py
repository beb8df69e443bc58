"""From bytes to a capture: boards, files, ring buffer, cranking trigger, recorder, rigs and capture files.

A driver or reader of your own needs this door alone. A board is a `Source`, declared by a `BoardDeclaration`::

    from crankfold.acquire import BoardDeclaration, Channel, Samples, Source, SourceInfo, hookimpl

``open_board`` and ``open_file`` open what plugins declare; ``record`` runs a source through the ring buffer and the
trigger and hands on every cranking as a `crankfold.analysis.Capture`; ``save_capture`` and ``read_stored`` keep and
read it. ``Rig`` and ``Probe`` turn codes into amperes, ``check_rig`` says whether a rig tells the truth. What goes
wrong is a `CrankfoldError` of one phase: finding, opening, streaming, reading a file, shutting down. The kit that
proves a driver right is `crankfold.acquire.testing`.

Names are loaded on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
