"""The side that lends a board: secrets, readers that are slow, many or hostile, other programs, the command."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import re
import socket
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardGarbledError,
    BoardPermissionError,
    SettingError,
    SourceInfo,
)
from crankfold.acquire.network import (
    BORROWER,
    FrameReader,
    Lender,
    LendingNews,
    beyond_this_computer,
    described,
    frame,
    new_secret,
    proof,
    proves,
    understood,
)
from crankfold.plugins.network.board import NetworkBoard

sys.path.insert(0, str(Path(__file__).parent))
from lent_bench import CHANNELS, LONG_S, RATE_HZ, Bench, Cable, borrowed, codes_at, gathered, lending, wait_for

DOCS = Path(__file__).parents[3] / "viewer" / "docs" / "network.md"
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


@pytest.mark.parametrize(("host", "beyond"), [
    ("127.0.0.1", False), ("127.9.9.9", False), ("::1", False), ("localhost", False), ("0.0.0.0", True), ("::", True),
    ("192.0.2.5", True), ("127.example", True), ("localhost.example", True)])
def test_only_the_loopback_is_this_computer(host: str, beyond: bool) -> None:
    assert beyond_this_computer(host) is beyond


def test_readers_are_bounded_and_one_that_comes_back_takes_its_own_place() -> None:
    with lending(Bench()) as lender, contextlib.ExitStack() as stack:
        boards = [stack.enter_context(borrowed(lender.port)) for _ in range(8)]
        with pytest.raises(BoardPermissionError, match="8 programs read that board already"):
            borrowed(lender.port)
        again = boards[0]._again()
        stack.callback(again.line.close)
        assert again.info.title == boards[0].info.title


@pytest.mark.slow  # 24 MB through two sockets, and how they are cut up is the system's choice
def test_a_reader_that_takes_nothing_costs_nobody_a_sample_and_is_told_its_loss() -> None:
    bench, news = Bench(), []
    with lending(bench, keep_s=2.0, hear=news.append) as lender, borrowed(lender.port) as slow, \
            borrowed(lender.port) as fast:
        slow.start()
        fast.start()
        given = 0
        missed, taken = [], []  # by each: given before the lender had heard that it starts, and had since
        for source in (slow, fast):
            block = None
            while block is None:
                bench.give(40)
                given += 40
                block = source.read(0.05)
            missed.append(next(at for at in range(0, given, 40) if np.array_equal(codes_at(at, 40), block.codes[:40])))
            taken.append(block.next_index)
        while taken[1] + missed[1] < given:  # or it would be thrown away by what comes next
            block = fast.read(0.05)
            taken[1] = taken[1] if block is None else block.next_index
        while given < 4_000_000:  # 24 MB: more than the system holds for a reader
            bench.give(40_000)
            given += 40_000
            got, losses = gathered(fast, lambda at, given=given: at + missed[1] == given)
            assert not losses
            taken[1] += len(got)
        assert taken[1] == given - missed[1]
        seen: list[int] = []

        def caught_up(at: int) -> bool:
            nonlocal given
            seen.append(at)
            if at + missed[0] < given and seen[-2:] == [at, at]:  # what was thrown away last is told later
                bench.give(40)
                given += 40
            return at + missed[0] == given

        rest, losses = gathered(slow, caught_up)
        assert sum(lost or 0 for _, lost in losses) + len(rest) + taken[0] == given - missed[0]
        assert losses and all(lost for _, lost in losses)
        np.testing.assert_array_equal(rest[-40:], codes_at(given - 40, 40))
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


def test_a_secret_goes_into_no_capture() -> None:
    from crankfold.acquire import About, Rig
    from crankfold.analysis import Engine, Thresholds
    from crankfold.viewer.session import Question, SessionPlan

    settings = {"secret": SECRET, "patience": "5"}
    rig = Rig(board="network:192.0.2.5", settings=settings)
    assert About(rig=rig).data()["rig"]["settings"] == {"patience": "5"}
    asked = Question(Engine((1, 3, 4, 2)), None, None, Thresholds(), None, ())
    plan = SessionPlan(Bench, asked, settings=settings)
    assert SECRET not in str(plan.about())
    assert plan.about()["caught"]["settings"] == {"patience": "5"}
