"""A lent board: the rules every board keeps, a cable that is cut, a secret, readers that are slow or hostile."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import re
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardDisconnectedError,
    BoardGarbledError,
    BoardNotFoundError,
    BoardPermissionError,
    CallbackSource,
    Channel,
    Event,
    Happening,
    Recorder,
    RecordingPlan,
    SettingError,
    Source,
    SourceInfo,
    load_plugins,
    open_board,
)
from crankfold.acquire.network import (
    BORROWER,
    FrameReader,
    Lender,
    LendingNews,
    described,
    frame,
    new_secret,
    proof,
    proves,
    understood,
)
from crankfold.acquire.testing import PluginContract, SourceContract
from crankfold.analysis import Notice
from crankfold.plugins.network import board as network_board
from crankfold.plugins.network.board import NetworkBoard

DOCS = Path(__file__).parents[2] / "viewer" / "docs" / "network.md"
CHANNELS = (Channel("current", "A", 0.5, -10.0, (-3000, 3000), "int16"),
            Channel("sync", "V", 0.001, code_range=(-3000, 3000), code_dtype="int16"),
            Channel("battery", "V", 0.002, 6.0, (-3000, 3000), "int16"))
RATE_HZ = 4000.0
LONG_S = 30.0  # for what is waited for, on a machine that is busy


def codes_at(first: int, count: int) -> np.ndarray:
    """Return what the bench board has at each index: every sample tells its own number."""
    index = np.arange(first, first + count)
    return np.stack([index % 2000, index // 2000 % 2000, index % 7 - 3], axis=1).astype(np.int16)


class Bench(CallbackSource):
    """A board that is driven by hand: `give` samples, `skip` some, break it."""

    info = SourceInfo(RATE_HZ, CHANNELS, np.dtype(np.int16), "bench board", "bench")

    def __init__(self, *, paced: bool = False, **more: object) -> None:
        super().__init__(held_s=600.0)
        self.info = replace(self.info, **more)  # type: ignore[arg-type]
        self.at, self.begun = 0, threading.Event()
        self._paced, self._end_it = paced, threading.Event()
        self._thread: threading.Thread | None = None

    def give(self, count: int, lost: int | None = 0, **more: object) -> None:
        self.at += lost or 0
        self.push(codes_at(self.at, count), lost_before=lost, **more)  # type: ignore[arg-type]
        self.at += count

    def _begin(self) -> None:
        if self._paced:
            self._end_it.clear()
            self._thread = threading.Thread(target=self._tick, daemon=True)
            self._thread.start()
        self.begun.set()

    def _tick(self) -> None:
        began_s, given = time.monotonic(), 0
        while not self._end_it.wait(0.02):
            due = int((time.monotonic() - began_s) * RATE_HZ) - given
            self.give(due)
            given += due

    def _end(self) -> None:
        self._end_it.set()
        if self._thread is not None:
            self._thread.join()


class Cable:
    """A way through which both sides talk; it can go dead without a word, hang up, and be mended."""

    def __init__(self, port: int) -> None:
        self._target, self.dead = port, threading.Event()
        self.seen = bytearray()
        self._ends: list[socket.socket] = []
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        pairs: dict[socket.socket, socket.socket] = {}
        with contextlib.suppress(OSError, ValueError):
            while True:
                alive = [line for line in pairs if line.fileno() >= 0]
                for line in select.select([self._listening, *alive], [], [], 0.02)[0]:
                    if line is self._listening:
                        one = line.accept()[0]
                        if self.dead.is_set():
                            one.close()
                            continue
                        other = socket.create_connection(("127.0.0.1", self._target))
                        pairs |= {one: other, other: one}
                        self._ends += [one, other]
                    elif not self.dead.is_set():
                        data = line.recv(1 << 16)
                        self.seen += data
                        pairs[line].sendall(data) if data else pairs[line].shutdown(socket.SHUT_WR)
                        if not data:
                            pairs.pop(line)
                if self.dead.is_set():
                    time.sleep(0.01)

    def hang_up(self) -> None:
        self.dead.set()
        for end in self._ends:
            end.close()
        self._ends.clear()

    def close(self) -> None:
        self._listening.close()
        self._thread.join(LONG_S)
        for end in self._ends:
            end.close()


@contextlib.contextmanager
def lending(*boards: Source, **more: object) -> Iterator[Lender]:
    waiting = list(boards)

    def opened() -> Source:
        if not waiting:
            raise BoardNotFoundError("the bench is empty", "put a board on it")
        return waiting.pop(0)

    with Lender(opened, "127.0.0.1", 0, **more) as lender:  # type: ignore[arg-type]
        yield lender


def borrowed(port: int, **settings: str) -> NetworkBoard:
    return NetworkBoard(f"127.0.0.1:{port}", settings)


def gathered(source: Source, until: Callable[[int], bool]) -> tuple[np.ndarray, list[tuple[int, int | None]]]:
    """Return all codes up to when `until` holds of the next index, and each loss with the index after it."""
    found, losses, end_s = [], [], time.monotonic() + LONG_S
    next_index = 0
    while not until(next_index):
        assert time.monotonic() < end_s
        block = source.read(0.05)
        if block is not None:
            found.append(block.codes)
            next_index = block.next_index
            if block.lost_before != 0:
                losses.append((block.first_index, block.lost_before))
    return np.concatenate(found), losses


def wait_for(what: Callable[[], object]) -> None:
    end_s = time.monotonic() + LONG_S
    while not what():
        assert time.monotonic() < end_s
        time.sleep(0.01)


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
            wait_for(lambda: bench)
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
        lost_s = time.monotonic() + (network_board_silence() if dead_without_a_word else 0.3)
        while time.monotonic() < lost_s:
            assert board.read(0.05) is None
        if dead_without_a_word:
            cable.hang_up()  # what the cable held back is gone
        cable.dead.clear()
        bench.give(500)
        rest, losses = gathered(board, lambda at: at == 4000)
        np.testing.assert_array_equal(rest, codes_at(500, 3500))
        assert losses == []


def network_board_silence() -> float:
    from crankfold.acquire.socket_source import SILENCE_S

    return SILENCE_S + 0.3


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


SECRET = "an old oak at the harbour"


def test_a_secret_opens_and_is_never_sent() -> None:
    with lending(Bench(), secret=SECRET) as lender, contextlib.closing(Cable(lender.port)) as cable:
        with borrowed(cable.port, secret=SECRET) as board:
            assert board.info.rate_hz == RATE_HZ
        for settings in ({}, {"secret": "an old oak at the harbouR"}):
            with pytest.raises(BoardPermissionError, match="wants a secret"):
                borrowed(cable.port, **settings)
        assert SECRET.encode() not in bytes(cable.seen)
        assert b"nonce" in bytes(cable.seen)


def test_a_proof_is_the_keyed_hash_of_the_standard_and_of_one_connection_only() -> None:
    # RFC 4231, test case 2: HMAC-SHA-256 of "what do ya want for nothing?" under the key "Jefe"
    assert hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843")
    assert proof("Jefe" * 4, "lender", "a", "b") == hmac.new(b"Jefe" * 4, b"lender:a:b", hashlib.sha256).hexdigest()
    given = proof(SECRET, BORROWER, "1", "2")
    assert proves(given, SECRET, BORROWER, "1", "2")
    for whose, lender_nonce, borrower_nonce in (("lender", "1", "2"), (BORROWER, "3", "2"), (BORROWER, "1", "3")):
        assert not proves(given, SECRET, whose, lender_nonce, borrower_nonce)
    assert not proves(None, SECRET, BORROWER, "1", "2")


def test_one_who_cannot_prove_that_it_knows_the_secret_is_not_believed() -> None:
    with lending(Bench()) as lender, pytest.raises(BoardPermissionError, match="does not prove"):
        borrowed(lender.port, secret=SECRET)


def test_others_are_never_let_in_without_a_secret_or_with_a_short_one() -> None:
    with pytest.raises(SettingError, match="needs a secret"):
        Lender(Bench, "0.0.0.0", 0)
    with pytest.raises(SettingError, match="can be guessed"):
        Lender(Bench, "127.0.0.1", 0, secret="1234")
    assert len(new_secret()) >= 20 and new_secret() != new_secret()


def test_readers_are_bounded_and_one_that_comes_back_takes_its_own_place() -> None:
    with lending(Bench()) as lender, contextlib.ExitStack() as stack:
        boards = [stack.enter_context(borrowed(lender.port)) for _ in range(8)]
        with pytest.raises(BoardPermissionError, match="8 programs read that board already"):
            borrowed(lender.port)
        again = boards[0]._again()
        stack.callback(again.line.close)
        assert again.info.title == boards[0].info.title


def test_a_reader_that_takes_nothing_costs_nobody_a_sample_and_is_told_its_loss() -> None:
    bench, news = Bench(), []
    with lending(bench, keep_s=2.0, hear=news.append) as lender, borrowed(lender.port) as slow, \
            borrowed(lender.port) as fast:
        slow.start()
        fast.start()
        wait_for(lambda: [n.what for n in news].count("joined") == 2)
        time.sleep(0.1)
        given = 0
        while given < 4_000_000:  # 24 MB: more than the system holds for a reader
            bench.give(40_000)
            given += 40_000
            got, losses = gathered(fast, lambda at, given=given: at == given)
            assert not losses and len(got) == 40_000
        rest, losses = gathered(slow, lambda at: at == given)
        assert sum(lost or 0 for _, lost in losses) + len(rest) == given
        assert losses and all(lost for _, lost in losses)
        np.testing.assert_array_equal(rest[-8000:], codes_at(given - 8000, 8000))
        slow.close()
        wait_for(lambda: any(n.what == "left" for n in news))
        assert next(n for n in news if n.what == "left").dropped == sum(lost or 0 for _, lost in losses)


@pytest.mark.parametrize("said", [
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", b"\xff" * 64, frame({"crankfold.network": 2}), frame({}),
    frame({"crankfold.network": 1, "nonce": 7, "who": [1], "proof": {}}) + frame({"start": {"next": -5, "stream": 1}}),
    frame({"crankfold.network": 1}) + b"\x02\x00\x00\x00\x00\x00\x00\x00[]", b""])
def test_whatever_is_said_to_a_lender_the_others_read_on(said: bytes) -> None:
    bench = Bench()
    with lending(bench) as lender, borrowed(lender.port) as board:
        with socket.create_connection(("127.0.0.1", lender.port)) as stranger:
            stranger.sendall(said)
        board.start()
        assert bench.begun.wait(LONG_S)
        bench.give(20)
        assert len(gathered(board, lambda at: at == 20)[0]) == 20


GOOD = {"proof": None, "stream": "x", "board": described(Bench().info)}


@pytest.mark.parametrize("said", [
    b"SSH-2.0-anything\r\n", b"\0" * 80, frame({"crankfold.network": 7}), frame({"crankfold.network": 1, "nonce": "a"}),
    frame({"crankfold.network": 1, "nonce": "a"}) + frame({"proof": None, "board": {"rate_hz": -1}}),
    frame({"crankfold.network": 1, "nonce": "a"}) + frame({"board": [1]}),
    frame({"crankfold.network": 1, "nonce": "a"}) + frame(GOOD | {"board": GOOD["board"] | {"dtype": "O"}}),  # type: ignore[operator]
    frame({"crankfold.network": 1, "nonce": "a"}) + frame({"refused": "full", "what": "x\ny"})])
def test_whatever_answers_in_place_of_a_lender_is_one_sentence(said: bytes) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        def answer() -> None:
            line = server.accept()[0]
            with line:
                line.sendall(said)
                line.shutdown(socket.SHUT_WR)
                while line.recv(4096):
                    pass

        thread = threading.Thread(target=answer, daemon=True)
        thread.start()
        with pytest.raises(AcquireError) as raised:
            borrowed(server.getsockname()[1])
        thread.join(LONG_S)
        assert raised.value.remedy and not isinstance(raised.value, SettingError)


@pytest.mark.parametrize("block", [
    {"first": 0, "count": 3}, {"first": "a", "lost": 0, "breaks": 0},
    {"first": 0, "lost": 0, "breaks": 0, "device": "x"}])
def test_a_block_that_cannot_be_is_one_sentence(block: dict[str, object]) -> None:
    with lending(Bench()) as lender, borrowed(lender.port) as board:
        with pytest.raises(BoardGarbledError):
            list(board._decode(frame(block, b"\0" * 18)))
        with pytest.raises(BoardGarbledError):
            list(board._decode(frame({"first": 0, "lost": 0, "breaks": 0}, b"\0" * 7)))


def test_frames_are_the_same_however_they_are_cut() -> None:
    sent = [({"first": n, "text": "ü" * n}, bytes(range(n))) for n in range(40)]
    stream = b"".join(frame(header, body) for header, body in sent)
    for step in (1, 7, 64, len(stream)):
        reader = FrameReader()
        found = [item for at in range(0, len(stream), step) for item in reader.feed(stream[at : at + step])]
        assert found == sent


def test_what_a_board_says_of_itself_survives_the_way() -> None:
    for dtype in ("int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", ">i2"):
        info = SourceInfo(12.5, CHANNELS, np.dtype(dtype), "bench", finite=True, notes={"a": "b"})
        back = understood(described(info), "here", 3.0)
        assert back.dtype == np.dtype(dtype).newbyteorder("<")
        assert (back.rate_hz, back.channels, back.finite, back.notes) == (12.5, CHANNELS, True, {"a": "b"})


@pytest.mark.parametrize(("address", "settings", "said"), [
    ("", {}, "not said which computer"), ("host:port", {}, "isn.t the address"), ("host:0", {}, "isn.t the address"),
    ("[::1]:99999", {}, "isn.t the address"), ("127.0.0.1", {"secret": "short"}, "can be guessed"),
    ("127.0.0.1", {"secret": SECRET, "secret-file": "x"}, "both"),
    ("127.0.0.1", {"secret-file": "/no/such/file"}, "can't be read")])
def test_an_address_or_secret_that_cannot_be_is_said_before_anything_is_tried(
        address: str, settings: dict[str, str], said: str) -> None:
    with pytest.raises(SettingError, match=said):
        NetworkBoard(address, settings)


def test_the_documented_ten_lines_read_a_board() -> None:
    (program,) = re.findall(r"```python\n(.*?)```", DOCS.read_text(encoding="utf-8"), re.DOTALL)
    bench = Bench()
    with lending(bench) as lender:
        running = subprocess.Popen([sys.executable, "-c", program, str(lender.port)], stdout=subprocess.PIPE, text=True)
        assert bench.begun.wait(LONG_S)
        bench.give(400)
        bench.give(400, lost=50)
        bench.finish()
        printed, _ = running.communicate(timeout=LONG_S)
    assert running.returncode == 0
    rows = [line.split() for line in printed.splitlines()]
    assert [(int(first), float(mean), unit) for first, mean, unit in rows] == [
        (0, codes_at(0, 400)[:, 0].mean() * 0.5 - 10.0, "A"), (450, codes_at(450, 400)[:, 0].mean() * 0.5 - 10.0, "A")]


def test_the_streaming_layer_carries_values_units_and_a_loss(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stream read back through the layer's own inlet, in a process whose settings keep it on this computer."""
    settings = tmp_path / "lsl_api.cfg"
    settings.write_text("[multicast]\nResolveScope = machine\nListenAddress = 127.0.0.1\n"
                        "[lab]\nKnownPeers = {127.0.0.1}\n[ports]\nIPv6 = disable\n[log]\nlevel = -2\n",
                        encoding="utf-8")
    done = subprocess.run([sys.executable, "-c", LSL], capture_output=True, text=True, check=False,
                          env={**os.environ, "LSLAPICFG": str(settings)})
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["current", "A", "sync", "V", "1000.0", "300", "40.0", "0.339"]


LSL = """
import time
from dataclasses import replace
import numpy as np, pylsl
from crankfold.acquire import Channel, Source, SourceInfo, Samples
from crankfold.acquire.network import lsl_outlet

class Board(Source):
    info = SourceInfo(1000.0, (Channel("current", "A", 0.5, -10.0, code_dtype="int16"), Channel("sync", "V", 0.001)),
                      np.dtype(np.int16), "bench", "bench")
    given = 0
    def _read(self, timeout_s):
        self.given += 1
        return Samples(np.full((100, 2), 100 * self.given, np.int16), 239 if self.given == 3 else 0)

board = Board()
publish = lsl_outlet(board, "crankfold-test")
(found,) = pylsl.resolve_byprop("name", "crankfold-test", timeout=30)
inlet = pylsl.StreamInlet(found)
inlet.open_stream(timeout=30)
board.start()
block = board.read(0.1)
began = block.arrived_s
for n in range(3):
    publish(replace(block, arrived_s=began + 1e-3 * block.next_index))
    block = board.read(0.1) if n < 2 else block
values, stamps = [], []
until = time.monotonic() + 30
while len(stamps) < 300 and time.monotonic() < until:
    chunk, when = inlet.pull_chunk(timeout=0.1)
    values += chunk
    stamps += when
channel = inlet.info().desc().child("channels").child("channel")
while not channel.empty():
    print(channel.child_value("label"), channel.child_value("unit"))
    channel = channel.next_sibling()
print(inlet.info().nominal_srate(), len(stamps), values[0][0], round(stamps[299] - stamps[199], 3))
"""


def test_what_lending_says() -> None:
    news: list[LendingNews] = []
    bench = Bench()
    with lending(bench, hear=news.append) as lender, borrowed(lender.port) as board:
        board.start()
        assert bench.begun.wait(LONG_S)
        bench.give(10)
        gathered(board, lambda at: at == 10)
        bench.finish()
        wait_for(lender.ended.is_set)
    assert [n.what for n in news if n.what != "left"] == ["opened", "joined", "began", "ended"]


@pytest.mark.slow
def test_a_crank_lent_by_one_command_is_judged_by_another(tmp_path: Path) -> None:
    crankfold = Path(sys.executable).with_name("crankfold")
    engine = "virtual:dead=3,sync=waste-spark,quiet=2,crank=4,after=2"
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    lender = subprocess.Popen([crankfold, "lend", "--from", engine, "--at", f"127.0.0.1:{port}", "--secret-file", "s"],
                              cwd=tmp_path, stdout=subprocess.PIPE, text=True)
    assert lender.stdout is not None
    while "encrypted" not in lender.stdout.readline():
        assert lender.poll() is None
    done = subprocess.run([crankfold, "capture", "--from", f"network:127.0.0.1:{port}", "--set", "secret-file=s",
                           "--once", "--firing-order", "1-3-4-2", "--sync", "waste-spark:1"], cwd=tmp_path,
                          capture_output=True, text=True, check=False)
    assert done.stdout.splitlines()[-1] == "Cylinder 3 has no compression."
    lender.communicate(timeout=LONG_S)
    assert lender.returncode == 0


def test_the_plugin_is_found_by_its_name() -> None:
    with lending(Bench()) as lender, open_board(f"network:127.0.0.1:{lender.port}", {}, load_plugins()) as board:
        assert board.info.channels == CHANNELS
