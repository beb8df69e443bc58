"""Looking for boards: a kind that raises or hangs is named, and the others are still asked."""

from __future__ import annotations

import threading
import time

import pytest

from crankfold.acquire import (
    BoardDeclaration,
    BoardFound,
    PluginOrigin,
    Plugins,
    discover_boards,
    lasting_address,
    load_plugins,
)
from crankfold.acquire.registry import Offered

released = threading.Event()


def plugins_of(**searches):
    plugins = Plugins(())
    plugins._boards.update({name: Offered(BoardDeclaration(name, f"{name} boards", lambda a, s: None, search),
                                  PluginOrigin(name, "m")) for name, search in searches.items()})
    return plugins


def hang(deadline_s):
    released.wait(120)
    return ()


def boom(deadline_s):
    raise OSError("no bus\nhere")


def leave(deadline_s):
    raise SystemExit(3)


def late(deadline_s):
    time.sleep(deadline_s + 0.1)
    return [BoardFound("SN3", "Board three")]


def test_each_kind_answers_for_itself(long_s) -> None:
    released.clear()
    begun = time.monotonic()
    found = list(discover_boards(plugins_of(
        one=lambda deadline_s: [BoardFound("SN1", "Board one"), BoardFound("SN2", "Board two", problem="busy")],
        broken=boom, hanging=hang, leaving=leave, strange=lambda deadline_s: ["a board"], none=lambda deadline_s: (),
        late=late), deadline_s=0.2))
    assert time.monotonic() - begun < long_s
    released.set()
    assert [kind.name for kind in found] == ["one", "broken", "hanging", "leaving", "strange", "none", "late"]
    assert [board.address for board in found[0].boards] == ["SN1", "SN2"]
    assert found[1].problem == "the search failed with OSError: no bus here"
    assert found[2].problem == ("the search for hanging boards did not answer within 0.7 s; "
                                "the other kinds are not affected")
    assert "SystemExit" in found[3].problem
    assert "returned a str, not a BoardFound" in found[4].problem
    assert (found[5].boards, found[5].problem) == ((), "")
    assert [board.address for board in found[6].boards] == ["SN3"]  # a little over its time


def test_the_deadline_is_handed_to_the_plugin() -> None:
    given = []
    list(discover_boards(plugins_of(one=lambda deadline_s: given.append(deadline_s) or ()), deadline_s=1.25))
    assert given == [1.25]


# --- an address that lasts

@pytest.mark.parametrize("text", ["virtual", "virtual:engine=pump", "serial-lines:/dev/ttyNONE7", "serial-lines:SER=1",
                                  "nosuch:/dev/ttyUSB0"])
def test_an_address_that_nobody_lists_otherwise_is_kept(text: str) -> None:
    assert lasting_address(f" {text} ", load_plugins()) == text


def searched(discover, address: str = "/dev/ttyUSB0") -> str:
    """What an address becomes with a search of its boards that goes like this."""
    return lasting_address(f"lines:{address}", plugins_of(lines=discover), deadline_s=0.1)


@pytest.mark.parametrize("discover", [boom, leave, hang, lambda deadline_s: ["a board"]])
def test_a_search_that_fails_keeps_the_address_as_it_was_given(discover) -> None:
    released.clear()
    assert searched(discover) == "lines:/dev/ttyUSB0"
    released.set()


@pytest.mark.parametrize(("found", "kept"), [
    ([("SER=17", "/dev/ttyUSB0")], "lines:SER=17"), ([("SER=17", "/dev/ttyUSB1")], "lines:/dev/ttyUSB0"),
    ([("SER=17", "/dev/ttyUSB1"), ("SER=18", "/dev/ttyUSB0")], "lines:SER=18"),
    ([("SER=17", "")], "lines:/dev/ttyUSB0"),
    ([("SER=17", "/dev/ttyUSB0"), ("SER=18", "/dev/ttyUSB0")], "lines:/dev/ttyUSB0")])
def test_a_port_is_remembered_by_what_finds_its_board_again(found, kept) -> None:
    """If one board alone is at that port."""
    boards = tuple(BoardFound(address, "a board", device=device) for address, device in found)
    assert searched(lambda deadline_s: boards) == kept


def test_another_name_of_the_same_port_finds_its_board_too(tmp_path, monkeypatch) -> None:
    (tmp_path / "tty7").touch()
    (tmp_path / "starboard").symlink_to(tmp_path / "tty7")
    boards = BoardFound("SER=17", "a board", device=str(tmp_path / "tty7")), BoardFound("SER=3", "one", device="COM3")
    assert searched(lambda deadline_s: boards, str(tmp_path / "starboard")) == "lines:SER=17"
    monkeypatch.chdir(tmp_path)
    (tmp_path / "COM3").symlink_to(tmp_path / "tty7")
    assert searched(lambda deadline_s: boards, "COM3") == "lines:SER=3"  # no file's name
