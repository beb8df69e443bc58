"""Looking for boards: a kind that raises or hangs is named, and the others are still asked."""

from __future__ import annotations

import threading
import time

from crankfold.acquire.declarations import BoardDeclaration, BoardFound
from crankfold.acquire.discovery import discover_boards
from crankfold.acquire.plugin_loading import Offered, PluginOrigin, Plugins

released = threading.Event()


def plugins_of(**searches):
    return Plugins({name: Offered(BoardDeclaration(name, f"{name} boards", lambda a, s: None, search),
                                  PluginOrigin(name, "m")) for name, search in searches.items()}, {})


def hang(deadline_s):
    released.wait(30)
    return ()


def boom(deadline_s):
    raise OSError("no bus\nhere")


def leave(deadline_s):
    raise SystemExit(3)


def test_each_kind_answers_for_itself() -> None:
    begun = time.monotonic()
    found = list(discover_boards(plugins_of(
        one=lambda deadline_s: [BoardFound("SN1", "Board one"), BoardFound("SN2", "Board two", problem="busy")],
        broken=boom, hanging=hang, leaving=leave, strange=lambda deadline_s: ["a board"], none=lambda deadline_s: ()),
        deadline_s=0.2))
    assert time.monotonic() - begun < 2.0
    released.set()
    assert [kind.name for kind in found] == ["one", "broken", "hanging", "leaving", "strange", "none"]
    assert [board.address for board in found[0].boards] == ["SN1", "SN2"]
    assert found[1].problem == "the search failed with OSError: no bus here"
    assert "the search for hanging boards did not answer within" in found[2].problem
    assert "SystemExit" in found[3].problem
    assert "returned a str, not a BoardFound" in found[4].problem
    assert (found[5].boards, found[5].problem) == ((), "")


def test_the_deadline_is_handed_to_the_plugin() -> None:
    given = []
    list(discover_boards(plugins_of(one=lambda deadline_s: given.append(deadline_s) or ()), deadline_s=1.25))
    assert given == [1.25]
