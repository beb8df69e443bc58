"""The real firmware on an emulated chip, through a real serial port object, to samples and a verdict."""

from __future__ import annotations

import subprocess
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import Probe, RecordingPlan, record
from crankfold.analysis import Engine, SyncSpec, analyse
from crankfold.plugins.serial.frames_board import FrameBoard
from crankfold.plugins.virtual.engine import VirtualRun, leak_for, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import RigSpec
from crankfold.plugins.virtual.signals import record as record_signals
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.contract import Block


FIRMWARE = Path(__file__).parents[2] / "hardware_notes" / "firmware" / "atmega328p"


def busy_waveform(rows: int) -> np.ndarray[Any, Any]:
    """Two channels that never stand still, over the whole range of the converter."""
    draw = np.random.default_rng(20)
    return draw.integers(0, 5000, size=(rows, 2))


pytestmark = pytest.mark.usefixtures("patience")


def read_some(source: FrameBoard, samples: float) -> list[Block]:
    """Read so many samples, however long a busy machine takes to make them."""
    blocks: list[Block] = []
    while sum(len(block.codes) for block in blocks) < samples:
        block = source.read(0.1)
        if block is not None:
            blocks.append(block)
    return blocks


@pytest.mark.parametrize(("baud", "rate_hz"), [(1_000_000, 20_000), (500_000, 10_000), (250_000, 5_000)])
def test_every_code_is_the_converters(board: Callable[..., Any], baud: int, rate_hz: int) -> None:
    emulated = board(busy_waveform(50_000), rate_hz * 1.0, baud=baud)
    with FrameBoard(emulated.address, {"baud": str(baud)}) as source:
        assert source.info.rate_hz == rate_hz
        assert source.info.skew_s == (0.0, 0.5 / rate_hz)
        assert [channel.name for channel in source.info.channels] == ["current", "sync"]
        assert source.info.channels[0].code_range == (0, 1023)
        source.start()
        blocks = read_some(source, rate_hz)
        assert source.notices == ()
    assert all(block.lost_before == 0 for block in blocks)
    codes = np.concatenate([block.codes for block in blocks])
    np.testing.assert_array_equal(codes, emulated.expected(0, len(codes), rate_hz))


def test_rate_is_set_and_the_stream_starts_again(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(1000), 1000.0)
    with FrameBoard(emulated.address, {"rate": "1500"}) as source:
        assert source.info.rate_hz == pytest.approx(16e6 / 10666, abs=1e-9)  # the nearest even divider
        for _ in range(2):
            source.start()
            blocks = read_some(source, 400)
            assert all(block.lost_before == 0 for block in blocks[1:])
            source.stop()


def test_channels_stay_in_their_places_however_often_the_stream_is_started_anew(board: Callable[..., Any]) -> None:
    emulated = board(np.tile([[1000, 4000]], (100, 1)), 1000.0)
    with FrameBoard(emulated.address, {}) as source:
        source.start()
        for _ in range(30):
            source._begin(torn=True)  # start upon start, without a stop between
            (block, *_) = read_some(source, 1)
            assert np.unique(block.codes, axis=0).tolist() == [[1000 * 1023 // 5000, 4000 * 1023 // 5000]]


def test_a_rate_out_of_reach_is_said(board: Callable[..., Any]) -> None:
    emulated = board(busy_waveform(1000), 1000.0)
    with FrameBoard(emulated.address, {"rate": "50000"}) as source:
        assert source.info.rate_hz == 20_000
        said = source.notices[0]
        assert (said.code, said.facts["asked_hz"], said.facts["rate_hz"]) == ("rate-not-met", 50_000, 20_000)


def test_loss_is_counted_exactly_when_the_reader_stalls(board: Callable[..., Any]) -> None:
    rate_hz = 20_000
    emulated = board(busy_waveform(100_000), rate_hz)
    with FrameBoard(emulated.address, {}) as source:
        source.start()
        blocks = read_some(source, 10_000)
        time.sleep(0.3)  # the buffers on the way hold what comes
        blocks += read_some(source, 10_000)
        assert all(block.lost_before == 0 for block in blocks)
        emulated.lose_some()
        blocks += read_some(source, 30_000)
        assert source.notices[0].code == "frames-left-out"
    lost = [block.lost_before for block in blocks]
    assert None not in lost
    assert sum(count for count in lost if count) > 1000
    for block in blocks:  # every sample stands where it belongs, so the count is exact
        np.testing.assert_array_equal(block.codes, emulated.expected(block.first_index, len(block.codes), rate_hz))


CLAMP_MV_PER_A = 5.0
CLAMP_ZERO_MV = 400.0
PICKUP_MV_PER_KV = 350.0
LAUNCH_PUMP = Engine((1, 3, 4, 2))


def on_the_pins(low_cylinder: int, percent: float, rate_hz: float) -> tuple[np.ndarray[Any, Any], VirtualRun]:
    """Millivolts of a clamp round the starter's lead and of a pick-up on cylinder 1's plug lead."""
    bench = Bench(key=KeySpec(on_s=0.8, off_s=4.3))
    position = bench.engine.firing_order.index(low_cylinder)
    worn = bench.engine.with_cylinder(low_cylinder, leak_for(bench.engine, position, percent, 200.0))
    run = simulate(replace(bench, engine=worn), 4.8, seed=3)
    lead = SyncLead("waste-spark", 1, full_scale=20.0)
    taken = record_signals(run, RigSpec(rate_hz, clamp_mv_per_a=CLAMP_MV_PER_A, bits=16, full_scale=10.0, sync=lead))
    clamp, pickup = (column.values(taken.codes[:, at]) for at, column in enumerate(taken.columns))
    pins = np.column_stack([clamp * 1e3 + CLAMP_ZERO_MV, pickup * PICKUP_MV_PER_KV])
    return np.clip(np.rint(pins), 0, 4999).astype(np.int64), run


def test_from_a_virtual_engine_through_the_chip_to_the_right_verdict(board: Callable[..., Any]) -> None:
    rate_hz = 20_000
    pins, run = on_the_pins(4, 55.0, rate_hz)
    emulated = board(pins, rate_hz)
    captures = record(FrameBoard(emulated.address, {}), RecordingPlan(stall_s=20.0))
    capture = next(captures)
    captures.close()
    assert capture.gaps == ()
    capture = Probe.parse(f"{CLAMP_MV_PER_A:g}mV/A").apply(capture)
    result = analyse(capture, LAUNCH_PUMP, sync=SyncSpec("waste-spark", 1))
    assert (result.verdict, result.low) == ("uneven", (4,))
    found = np.array([cylinder.relative_percent for cylinder in result.cylinders])
    np.testing.assert_allclose(found, run.truth().relative_percent, atol=5.0)


@pytest.mark.slow
def test_a_minute_at_full_rate_loses_nothing(board: Callable[..., Any]) -> None:
    rate_hz = 20_000
    emulated = board(busy_waveform(100_000), rate_hz)
    with FrameBoard(emulated.address, {}) as source:
        source.start()
        blocks = read_some(source, 60.0 * rate_hz)
        assert source.notices == ()
    assert all(block.lost_before == 0 for block in blocks)
    codes = np.concatenate([block.codes for block in blocks])
    np.testing.assert_array_equal(codes, emulated.expected(0, len(codes), rate_hz))


@pytest.mark.parametrize(("stray", "longest_stall", "least_lost"), [(12, 0, 0), (0, 380, 1000)])
def test_conversions_lost_to_a_busy_chip_are_counted_exactly(board: Callable[..., Any], stray: int, longest_stall: int,
                                                             least_lost: int) -> None:
    """Bursts of bytes that mean nothing; something that keeps interrupts off for nearly a period of 400 clocks."""
    rate_hz = 20_000
    # every conversion sees a voltage of its own
    emulated = board(busy_waveform(100_000), rate_hz * 2.0, longest_stall=longest_stall)
    with FrameBoard(emulated.address, {}) as source:
        source.start()
        blocks = []
        for _ in range(75):
            source._port.write(b"\x55" * stray)
            blocks += read_some(source, 0.02 * rate_hz)
        assert source.notices == ()
    lost = [block.lost_before for block in blocks]
    assert None not in lost
    assert sum(count for count in lost if count) >= least_lost
    for block in blocks:
        np.testing.assert_array_equal(block.codes, emulated.expected(block.first_index, len(block.codes), rate_hz))


def test_what_the_chip_cannot_do_is_not_built(tmp_path: Path) -> None:
    command = ["make", "-C", str(FIRMWARE), f"OUT={tmp_path}", "BAUD=2000000"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "#error \"the chip cannot sample as fast as this line carries" in done.stderr
