"""The kit that proves a driver or a reader right: one rule, one function, with pytest or without.

In a plugin's own tests, two lines (`SourceContract` and `PluginContract` have one test a rule)::

    class TestBoard(SourceContract):
        open_source = staticmethod(lambda: open_my_board("", {}))

Anywhere else, on a real board too::

    for outcome in run_contract(lambda: open_my_board("", {})):
        print(outcome.state, outcome.rule, outcome.detail)
"""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
