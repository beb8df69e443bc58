"""The RP2040 firmware on an emulated chip, through USB and a real serial port object, to samples and a verdict."""

from __future__ import annotations

import os
import struct
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from fastcrc import crc32

from crankfold.acquire import Probe, record
from crankfold.analysis import Engine, Notice, SyncSpec, analyse
from crankfold.plugins.serial.frame_codec import FrameDecoder
from crankfold.plugins.serial.frame_format import parse_hello
from crankfold.plugins.serial.frames_board import FrameBoard
from crankfold.plugins.virtual.engine import VirtualRun, leak_for, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import RigSpec
from crankfold.plugins.virtual.signals import record as record_signals
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from crankfold.acquire import Block

FASTEST_HZ = 500_000
TWO = {"channels": "current,sync"}
FULL_SCALE = 33_000  # tenths of a millivolt


def busy_waveform(rows: int = 400_009) -> np.ndarray[Any, Any]:
    """Four channels that never stand still, over the whole range of the converter."""
    return np.random.default_rng(20).integers(0, FULL_SCALE, size=(rows, 4))


def read_samples(source: FrameBoard, count: int) -> list[Block]:
    blocks: list[Block] = []
    while sum(len(block.codes) for block in blocks) < count:
        block = source.read(1.0)
        if block is not None:
            blocks.append(block)
    return blocks


def check_in_place(blocks: list[Block], emulated: Any, rate_hz: float, inputs: Sequence[int]) -> None:
    for block in blocks:
        expected = emulated.expected(block.first_index, len(block.codes), rate_hz, inputs)
        np.testing.assert_array_equal(block.codes, expected)


def test_the_file_to_drag_is_what_the_boot_rom_wants(uf2: Path) -> None:
    blocks = [uf2.read_bytes()[at : at + 512] for at in range(0, uf2.stat().st_size, 512)]
    flash = b""
    for number, block in enumerate(blocks):
        # the public description of UF2: two magic words, flags, address, size, number, count, family, data, magic word
        head = struct.unpack_from("<8I", block)
        assert head == (0x0A324655, 0x9E5D5157, 0x2000, 0x10000000 + len(flash), 256, number, len(blocks), 0xE48BFF56)
        assert struct.unpack_from("<I", block, 508) == (0x0AB16F30,)
        flash += block[32 : 32 + 256]
    assert len(flash) % 4096 == 0
    # the checksum over the second stage is the one that catalogues call CRC-32/MPEG-2; their check value is 0376E6E7
    assert crc32.mpeg_2(b"123456789") == 0x0376E6E7
    assert struct.unpack_from("<I", flash, 252) == (crc32.mpeg_2(flash[:252]),)
    stack, start = struct.unpack_from("<2I", flash, 256)
    assert stack == 0x20042000  # the end of the chip's memory
    assert start % 2 == 1 and 0x20030000 < start < 0x20040000


def test_a_computer_finds_a_serial_port_with_an_identity_of_its_own(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(10), 1000.0)
    identity = emulated.identity
    device = identity["device"]
    assert identity["begin"] == device and identity["address"] == 7 and identity["chosen"] == [1]
    assert struct.unpack("<BBHBBBBHHHBBBB", bytes(device)) == (
        18, 1, 0x0200, 2, 0, 0, 64, 0x1209, 0x0001, 0x0100, 1, 2, 3, 1)
    assert (identity["name"], identity["serial"]) == ("four-channel board", "E6614103E72B6A25")
    assert identity["qualifier"] is None  # a device of full speed alone refuses it: USB 2.0, 9.6.2
    assert identity["coding"] == [0x00, 0xC2, 0x01, 0x00, 0, 0, 8]  # what was set is what is told
    rest, parts = bytes(identity["configuration"]), []
    assert struct.unpack_from("<H", rest, 2) == (len(rest),)
    while rest:
        parts.append(rest[: rest[0]])
        rest = rest[rest[0] :]
    assert [part[2] for part in parts if part[1] == 5] == [0x81, 0x02, 0x82]  # endpoints
    assert [tuple(part[5:8]) for part in parts if part[1] == 4] == [(2, 2, 0), (10, 0, 0)]  # USB CDC 1.2, table 4.1.2
    assert [part[2] for part in parts if part[1] == 0x24] == [0, 1, 2, 6]  # PSTN 1.2, the functional descriptors
    decoder, greetings = FrameDecoder(), []
    while not greetings:
        greetings += [parse_hello(run[0].tobytes()) for run in decoder.feed(os.read(emulated.held, 4096))]
    assert (greetings[0].answers, greetings[0].streaming, greetings[0].inputs) == (0, False, 4)
    assert greetings[0].title == "four-channel board, RP2040"


def test_every_sample_of_half_a_million_a_second_is_in_its_place(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(), FASTEST_HZ * 1.0)  # every conversion sees a voltage of its own
    with FrameBoard(emulated.address, TWO) as source:
        assert (source.info.rate_hz, source.info.skew_s) == (250_000, pytest.approx((0.0, 2e-6)))
        assert [channel.name for channel in source.info.channels] == ["current", "sync"]
        assert source.info.channels[0].code_range == (0, 4095)
        assert source.info.channels[0].scale * 4096 == pytest.approx(3.3, rel=1e-6)
        source.start()
        blocks = read_samples(source, 150_000)
        assert source.notices == ()
    assert all(block.lost_before == 0 for block in blocks)
    check_in_place(blocks, emulated, 250_000, [0, 1])


@pytest.mark.parametrize(("channels", "rate_hz", "inputs", "clocks"), [
    ("current", 500_000, [0], 96),
    ("sync,-,current,battery", 9_000, [2, 0, 3], 1778),
    ("current,sync,battery,pressure", 20_000, [0, 1, 2, 3], 600),
    ("4,2", 366, [3, 1], 65_536),
])
def test_inputs_are_chosen_and_named(board: Callable[..., Any], channels: str, rate_hz: int, inputs: list[int],
                                     clocks: int) -> None:
    true_hz = 48e6 / clocks / len(inputs)
    emulated = board(busy_waveform(), true_hz * len(inputs))
    with FrameBoard(emulated.address, {"channels": channels, "rate": str(rate_hz)}) as source:
        assert source.info.rate_hz == pytest.approx(true_hz, abs=1e-9)
        order = [sorted(inputs).index(number) for number in inputs]
        skew_s = (np.array(order) - order[0]) * clocks / 48e6
        np.testing.assert_allclose(source.info.skew_s or (0.0,), skew_s, atol=1e-9)
        names = [name for name in channels.split(",") if name != "-"] if "current" in channels else ["current", "sync"]
        assert {channel.name for channel in source.info.channels} == set(names)
        for _ in range(2):
            source.start()
            blocks = read_samples(source, 400)
            assert all(block.lost_before == 0 for block in blocks[1:])
            codes = np.concatenate([block.codes for block in blocks])
            np.testing.assert_array_equal(codes, emulated.expected(0, len(codes), true_hz, sorted(inputs))[:, order])
            source.stop()


def test_what_a_reader_that_stalls_loses_is_counted_to_the_sample(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(), FASTEST_HZ * 1.0, patient=False)
    with FrameBoard(emulated.address, TWO) as source:
        source.start()
        blocks = read_samples(source, 1000)
        emulated.told("STALLED")  # 200,000 conversions, and the chip's memory holds 98,304
        blocks += read_samples(source, 100_000)
        assert source.notices == ()
    lost = [block.lost_before for block in blocks if block.lost_before]
    assert max(lost) > 50_000  # a busy machine may add to it
    check_in_place(blocks, emulated, 250_000, [0, 1])


def test_packets_that_go_astray_on_the_bus_are_counted(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(), FASTEST_HZ * 1.0, [{"at_s": 0.1, "what": "halt"}])
    with FrameBoard(emulated.address, TWO) as source:
        source.start()
        blocks = read_samples(source, 60_000)
    lost = [block.lost_before for block in blocks if block.lost_before]
    assert 1 <= len(lost) <= 2 and sum(lost) % 80 == 0 and sum(lost) <= 10 * 80
    check_in_place(blocks, emulated, 250_000, [0, 1])


def test_a_converter_that_ran_over_starts_anew_and_says_so(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(), 40_000.0, [{"at_s": 0.1, "what": "overflow"}])
    with FrameBoard(emulated.address, {"rate": "20000", "channels": "current,-,battery"}) as source:
        source.start()
        blocks = read_samples(source, 5000)
        assert source.notices == (Notice("board-restarted", {"count": 1}),)
    at = next(number for number, block in enumerate(blocks) if block.lost_before is None)
    assert all(block.lost_before == 0 for block in blocks if block is not blocks[at])
    for part in (blocks[:at], blocks[at:]):
        codes = np.concatenate([block.codes for block in part])
        np.testing.assert_array_equal(codes, emulated.expected(0, len(codes), 20_000, [0, 2]))


def test_a_board_whose_program_is_gone_falls_silent(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(), 40_000.0, [{"at_s": 0.2, "what": "hang_up"}])
    with FrameBoard(emulated.address, {**TWO, "rate": "20000"}) as source:
        source.start()
        read_samples(source, 2000)
        assert int(emulated.told("QUIET")) <= 2 * 64  # two packets were with the controller already


CLAMP_MV_PER_A = 3.0
CLAMP_ZERO_MV = 400.0
PICKUP_MV_PER_KV = 250.0
BATTERY_DIVIDER = 10 / 49
PRESSURE_MV_PER_BAR = 60.0


def on_the_pins(rate_hz: float) -> tuple[np.ndarray[Any, Any], VirtualRun]:
    """Clamp, pick-up on cylinder 1's lead, battery, pressure in 1, in tenths of a millivolt; cylinder 4 is low."""
    bench = Bench(key=KeySpec(on_s=0.6, off_s=3.4))
    low = bench.engine.firing_order.index(4)
    worn = bench.engine.with_cylinder(4, leak_for(bench.engine, low, 55.0, 200.0))
    run = simulate(replace(bench, engine=worn), 3.9, seed=3)
    lead = SyncLead("waste-spark", 1, full_scale=20.0)
    taken = record_signals(run, RigSpec(rate_hz, clamp_mv_per_a=CLAMP_MV_PER_A, bits=16, full_scale=10.0, sync=lead))
    clamp, pickup = (column.values(taken.codes[:, at]) for at, column in enumerate(taken.columns))
    times = np.arange(len(clamp)) / rate_hz
    battery = np.interp(times, run.time_s, run.volts)
    pressure = np.interp(times, run.time_s, run.gauge_bar[:, bench.engine.firing_order.index(1)])
    pins_mv = np.column_stack([clamp * 1e3 + CLAMP_ZERO_MV, pickup * PICKUP_MV_PER_KV, battery * 1e3 * BATTERY_DIVIDER,
                               pressure * PRESSURE_MV_PER_BAR + CLAMP_ZERO_MV])
    return np.clip(np.rint(pins_mv * 10), 0, FULL_SCALE - 1).astype(np.int64), run


def test_from_a_virtual_engine_through_four_inputs_to_the_right_verdict(board: Callable[..., Any]) -> None:
    rate_hz = 10_000
    pins, run = on_the_pins(rate_hz)
    emulated = board(pins, rate_hz)
    captures = record(FrameBoard(emulated.address, {"channels": "current,sync,battery,pressure", "rate": str(rate_hz)}))
    capture = next(captures)
    captures.close()
    assert capture.gaps == ()
    assert [channel.name for channel in capture.channels] == ["current", "sync", "battery", "pressure"]
    cranking = run.volts[(run.time_s > 1.5) & (run.time_s < 3.0)].mean() * BATTERY_DIVIDER
    begin = capture.trigger_index + round(0.9 * rate_hz)  # the trigger is the key, 0.6 s after the beginning
    measured = capture.samples[begin : begin + round(1.5 * rate_hz), 2].mean()
    assert measured == pytest.approx(cranking, abs=0.02)
    assert capture.samples[:, 3].max() - 0.4 == pytest.approx(run.gauge_bar[:, 0].max() * 0.06, abs=0.01)
    result = analyse(Probe.parse(f"{CLAMP_MV_PER_A:g}mV/A").apply(capture), Engine((1, 3, 4, 2)),
                     sync=SyncSpec("waste-spark", 1))
    assert (result.verdict, result.low) == ("uneven", (4,))
    found = np.array([cylinder.relative_percent for cylinder in result.cylinders])
    np.testing.assert_allclose(found, run.truth().relative_percent, atol=5.0)


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_half_a_minute_at_full_rate_loses_nothing(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(), FASTEST_HZ * 1.0)
    with FrameBoard(emulated.address, TWO) as source:
        source.start()
        for _ in range(75):
            blocks = read_samples(source, 100_000)
            assert all(block.lost_before == 0 for block in blocks)
            check_in_place(blocks, emulated, 250_000, [0, 1])
        assert source.notices == ()
