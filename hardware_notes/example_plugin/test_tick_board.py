"""All rules of the kit, on the board and on the plugin: two lines each, and a docstring."""

import tick_board

from crankfold.acquire.testing import PluginContract, SourceContract


class TestTickBoard(SourceContract):
    """The board, by the rules for sources."""

    open_source = staticmethod(lambda: tick_board.TickBoard("", {}))


class TestTickPlugin(PluginContract):
    """The plugin, by the rules for plugins."""

    plugin = tick_board
