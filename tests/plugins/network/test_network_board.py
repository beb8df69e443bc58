"""A lent board as a source: the rules every board keeps, every sample as it was, a cable that is cut."""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardDisconnectedError,
    Event,
    Happening,
    Recorder,
    RecordingPlan,
    SourceInfo,
    load_plugins,
    open_board,
)
from crankfold.acquire.network import Lender
from crankfold.acquire.socket_source import SILENCE_S
from crankfold.acquire.testing import PluginContract, SourceContract
from crankfold.analysis import Notice
from crankfold.plugins.network import board as network_board

sys.path.insert(0, str(Path(__file__).parent))
from lent_bench import CHANNELS, LONG_S, Bench, Cable, borrowed, codes_at, gathered, lending, wait_for


class TestBoard(SourceContract):
    stretch_s = 0.3
    pause_s = 1.0

    @pytest.fixture(autouse=True)
    def _lent(self) -> Iterator[None]:
        bench: list[Bench] = []

        def opened() -> Bench:
            bench.append(Bench(paced=True))
            return bench[-1]

        with Lender(opened, "127.0.0.1", 0) as lender:
            type(self).open_source = staticmethod(lambda: borrowed(lender.port))
            type(self).break_it = staticmethod(
                lambda source: bench[-1].fail(BoardDisconnectedError("pulled", "plug it in")))
            type(self).lose = staticmethod(lambda source: bench[-1].lose(250) or 250)
            with borrowed(lender.port) as first:
                first.start()  # from here on the board's own thread is there, as it would be on another computer
                assert bench[-1].begun.wait(LONG_S)
            yield


class TestPlugin(PluginContract):
    plugin = network_board


def test_every_sample_channel_unit_stamp_and_loss_arrives_as_it_was() -> None:
    bench = Bench(skew_s=(0.0, 1e-5, 2e-5))
    with lending(bench) as lender, borrowed(lender.port) as board:
        assert board.info.channels == CHANNELS
        assert board.info.skew_s == bench.info.skew_s
        assert board.info.title.startswith("bench board at 127.0.0.1")
        board.start()
        assert bench.begun.wait(LONG_S)
        bench.give(100, device_s=5.0)
        bench.give(100, lost=30)
        bench.give(100, lost=None)
        bench.give(50, device_s=5.25)
        blocks = []
        while len(blocks) < 4:
            block = board.read(LONG_S)
            assert block is not None
            blocks.append(block)
        assert [(b.lost_before, b.device_s) for b in blocks] == [(0, 5.0), (30, None), (None, None), (0, 5.25)]
        np.testing.assert_array_equal(np.concatenate([b.codes for b in blocks]), np.concatenate(
            [codes_at(0, 100), codes_at(130, 250)]))
        bench.finish()
        assert board.read(LONG_S) is None
        assert board.finished


def test_records_that_the_hardware_triggers_arrive_as_records() -> None:
    bench = Bench(records=True)
    with lending(bench) as lender, borrowed(lender.port) as board:
        board.start()
        assert bench.begun.wait(LONG_S)
        bench.give(100, lost=None, ends_record=True)
        bench.give(100, lost=None, ends_record=True)
        blocks = [board.read(LONG_S), board.read(LONG_S)]
        assert board.info.records
        assert [block.ends_record for block in blocks if block is not None] == [True, True]
        assert blocks[1] is not None and blocks[1].lost_before is None


@pytest.mark.parametrize("dead_without_a_word", [True, False])
def test_a_cut_cable_costs_no_sample_when_it_is_back_in_time(dead_without_a_word: bool) -> None:
    bench = Bench()
    with lending(bench) as lender, contextlib.closing(Cable(lender.port)) as cable, borrowed(cable.port) as board:
        board.start()
        assert bench.begun.wait(LONG_S)
        bench.give(500)
        gathered(board, lambda at: at == 500)
        if dead_without_a_word:
            cable.dead.set()
        else:
            cable.hang_up()
        bench.give(3000)
        lost_s = time.monotonic() + (SILENCE_S + 0.3 if dead_without_a_word else 0.3)
        while time.monotonic() < lost_s:
            assert board.read(0.05) is None
        if dead_without_a_word:
            cable.hang_up()  # what the cable held back is gone
        cable.dead.clear()
        bench.give(500)
        rest, losses = gathered(board, lambda at: at == 4000)
        np.testing.assert_array_equal(rest, codes_at(500, 3500))
        assert losses == []


def test_what_is_no_longer_kept_is_counted_exactly_and_said() -> None:
    bench = Bench()
    with lending(bench, keep_s=0.5) as lender, contextlib.closing(Cable(lender.port)) as cable, \
            borrowed(cable.port) as board:
        board.start()
        assert bench.begun.wait(LONG_S)
        bench.give(500)
        gathered(board, lambda at: at == 500)
        cable.hang_up()
        for _ in range(50):
            bench.give(200)
        wait_for(lambda: bench._waiting == 0)
        assert board.read(0.05) is None
        cable.dead.clear()
        rest, losses = gathered(board, lambda at: at == 10_500)
        ((first, lost),) = losses
        assert lost is not None and 7000 < lost == first - 500
        np.testing.assert_array_equal(rest, codes_at(first, 10_500 - first))
        assert board.notices[-1] == Notice("network-late", {"count": lost})


def test_a_lender_started_anew_leaves_an_unknown_loss_and_another_board_is_not_taken_for_it() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    first, second = Bench(), Bench()
    other = Bench()
    other.info = SourceInfo(100.0, CHANNELS[:1], np.dtype(np.int16), "another")
    with contextlib.ExitStack() as stack:
        cable = stack.enter_context(contextlib.closing(Cable(port)))
        with Lender(lambda: first, "127.0.0.1", port):
            board = stack.enter_context(borrowed(cable.port))
            board.start()
            assert first.begun.wait(LONG_S)
            first.give(100)
            gathered(board, lambda at: at == 100)
            cable.hang_up()
        with Lender(lambda: second, "127.0.0.1", port):
            cable.dead.clear()
            wait_for(lambda: board.read(0.05) is None and second.begun.is_set())
            second.give(60)
            block = board.read(LONG_S)
            assert block is not None and block.lost_before is None and len(block.codes) == 60
            cable.hang_up()
        with Lender(lambda: other, "127.0.0.1", port):
            cable.dead.clear()
            with pytest.raises(BoardDisconnectedError, match="lends another board now"):
                gathered(board, lambda at: False)


def test_a_connection_that_stays_away_is_a_lost_board() -> None:
    bench = Bench()
    with lending(bench) as lender, contextlib.closing(Cable(lender.port)) as cable, \
            borrowed(cable.port, patience="0.3") as board:
        board.start()
        cable.hang_up()
        with pytest.raises(AcquireError) as raised:
            gathered(board, lambda at: False)
        assert raised.value.remedy


def test_a_board_that_breaks_there_is_said_here_and_lent_again_when_it_is_back() -> None:
    first, second, news = Bench(), Bench(), []
    with lending(first, second, hear=news.append) as lender:
        with borrowed(lender.port) as board:
            board.start()
            assert first.begun.wait(LONG_S)
            first.give(10)
            first.fail(BoardDisconnectedError("the bench board was pulled", "plug it in"))
            with pytest.raises(BoardDisconnectedError, match="the bench board was pulled; plug it in"):
                gathered(board, lambda at: at > 10)
        wait_for(lambda: [n.what for n in news].count("opened") == 2)
        with borrowed(lender.port) as board:
            board.start()
            assert second.begun.wait(LONG_S)
            second.give(10)
            assert board.read(LONG_S) is not None


def test_the_recorder_says_that_touch_is_lost_and_waits_as_long_as_the_source_does() -> None:
    bench, events = Bench(), []
    with lending(bench) as lender, contextlib.closing(Cable(lender.port)) as cable:
        recorder = Recorder(borrowed(cable.port), RecordingPlan(stall_s=0.2), on_event=events.append)
        told = threading.Thread(target=lambda: list(recorder.caught()), daemon=True)
        told.start()
        assert bench.begun.wait(LONG_S)
        bench.give(100)
        wait_for(lambda: recorder.ring.next_index == 100)
        cable.hang_up()
        wait_for(lambda: Happening.SILENT in [event.what for event in events])
        cable.dead.clear()
        bench.give(100)
        wait_for(lambda: Happening.RESUMED in [event.what for event in events])
        assert recorder.ring.next_index == 200
        assert [e.what for e in events if isinstance(e, Event) and e.what is Happening.LOST] == []
        recorder.close()
        told.join(LONG_S)


def test_the_plugin_is_found_by_its_name() -> None:
    with lending(Bench()) as lender, open_board(f"network:127.0.0.1:{lender.port}", {}, load_plugins()) as board:
        assert board.info.channels == CHANNELS
