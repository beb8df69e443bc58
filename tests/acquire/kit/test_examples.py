"""The forty-line examples beside the tick board: each is put through the whole kit, losses and cut cables included."""

from __future__ import annotations

import importlib
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import BoardNotFoundError, SettingError
from crankfold.acquire.testing import BROKEN, KEPT, run_contract, run_plugin_contract

if TYPE_CHECKING:
    from collections.abc import Iterator

    from crankfold.acquire import Source

EXAMPLES = Path(__file__).parents[3] / "hardware_notes" / "example_plugin"
DRIVER_LINES = 40
FOR_FILES = {"end-is-no-error", "same-again"}


@pytest.fixture(autouse=True)
def beside_the_examples(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.syspath_prepend(str(EXAMPLES))
    yield
    for name in ("callback_board", "socket_board", "sound_board", "table_reader", "made_up"):
        sys.modules.pop(name, None)


class Bench:
    """Opens one of the examples, breaks it and makes it lose samples."""

    def __init__(self, name: str) -> None:
        self.module: Any = importlib.import_module(name)
        self.made_up: Any = importlib.import_module("made_up")
        self.network = self.made_up.Network() if name == "socket_board" else None
        self.latest: Any = None

    def open(self) -> Source:
        if self.network is not None:
            self.latest = self.module.SocketBoard(f"127.0.0.1:{self.network.server_address[1]}", {})
        else:
            kind = self.module.CallbackBoard if hasattr(self.module, "CallbackBoard") else self.module.SoundBoard
            self.latest = kind("", {})
        return self.latest

    def break_it(self, source: Source) -> None:
        from crankfold.acquire import BoardDisconnectedError

        if self.network is not None:
            self.network.cut()
        else:
            self.latest.library.stop()
            self.latest.fail(BoardDisconnectedError("the example board is gone", "plug it in again"))

    def lose(self, source: Source) -> int | None:
        if self.network is not None:
            self.network.to_lose = 37
            return 37
        time.sleep(1.3)  # its clock tells how many only once it has told its rate
        self.latest.library.lose(37)
        return 37 if hasattr(self.module, "CallbackBoard") else None

    def close(self) -> None:
        if self.network is not None:
            self.network.shutdown()
            self.network.server_close()


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(request.param)
    yield made
    made.close()


@pytest.mark.long
@pytest.mark.parametrize("bench", ["callback_board", "socket_board", "sound_board"], indirect=True)
def test_every_rule_for_a_source_is_kept(bench: Bench) -> None:
    outcomes = run_contract(bench.open, stretch_s=0.3, break_it=bench.break_it, lose=bench.lose, pause_s=3.0)
    assert [(o.rule, o.detail) for o in outcomes if o.state == BROKEN] == []
    untried = {o.rule for o in outcomes if o.state != KEPT} - FOR_FILES
    assert untried == ({"device-stamps"} if bench.network is not None else set())


@pytest.mark.parametrize("name", ["callback_board", "socket_board", "sound_board", "table_reader"])
def test_every_rule_for_a_plugin_is_kept_and_it_is_short(name: str) -> None:
    outcomes = run_plugin_contract(importlib.import_module(name))
    assert [(o.rule, o.detail) for o in outcomes if o.state == BROKEN] == []
    lines = [line for line in (EXAMPLES / f"{name}.py").read_text().splitlines() if line.strip()]
    imports = next(at for at, line in enumerate(lines) if line.startswith("crankfold_contract"))
    assert len(lines) - imports <= DRIVER_LINES


def test_the_reader_reads(tmp_path: Path) -> None:
    reader: Any = importlib.import_module("table_reader")
    path = tmp_path / "crank.tick"
    path.write_text("tick-table 1000\n" + "\n".join(f"{i},{i % 7}" for i in range(10_000)))
    outcomes = run_contract(lambda: reader.TickTable(path, {}), stretch_s=0.1)
    assert [(o.rule, o.detail) for o in outcomes if o.state == BROKEN] == []


def test_what_a_busy_reader_makes_it_drop_is_counted_to_the_sample() -> None:
    board: Any = importlib.import_module("callback_board")
    with board.CallbackBoard("", {}) as source:
        source._held_s = 0.25
        source.start()
        blocks = []
        while not blocks or blocks[-1].lost_before == 0:
            time.sleep(0.4 if len(blocks) == 5 else 0.0)
            block = source.read(1.0)
            assert block is not None
            blocks.append(block)
    assert blocks[-1].lost_before > 0
    for block in blocks:
        np.testing.assert_array_equal(block.codes[:, 0], np.arange(block.first_index, block.next_index) % 1000)


def test_a_sound_clock_counts_what_the_library_only_says_was_lost() -> None:
    board: Any = importlib.import_module("sound_board")
    with board.SoundBoard("", {}) as source:
        source.start()
        began = time.monotonic()
        while time.monotonic() < began + 1.5:
            source.read(0.1)
        assert source.measured_rate_hz == pytest.approx(2000.0, rel=1e-6)
        source.library.lose(53)
        lost: list[int | None] = []
        while not lost or lost[-1] == 0:
            block = source.read(1.0)
            lost.append(block.lost_before)
            last = block
    assert lost[-1] == 53
    np.testing.assert_array_equal(last.codes[:, 0], np.arange(last.first_index, last.next_index) % 1000)


def test_current_on_an_input_that_blocks_it_is_refused_and_sync_is_not() -> None:
    board: Any = importlib.import_module("sound_board")
    with pytest.raises(SettingError, match=r"blocks steady current.*coupling=dc"):
        board.SoundBoard("", {"coupling": "ac,ac"})
    with pytest.raises(SettingError, match="blocks steady current"):
        board.SoundBoard("", {"coupling": "ac,dc"})
    board.SoundBoard("", {"coupling": "dc,ac"}).close()


def test_nobody_at_the_other_end_of_the_cable() -> None:
    board: Any = importlib.import_module("socket_board")
    server: Any = importlib.import_module("made_up").Network()
    port = server.server_address[1]
    server.shutdown()
    server.server_close()
    with pytest.raises(BoardNotFoundError, match=f"no board answers at 127.0.0.1:{port}"):
        board.SocketBoard(f"127.0.0.1:{port}", {})
    assert threading.active_count() < 20
