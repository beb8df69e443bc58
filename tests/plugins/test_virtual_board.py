"""The virtual board as a source: what it promises, and what can be made to go wrong on it."""

from __future__ import annotations

import time
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from crankfold.acquire import BoardDisconnectedError, BoardGarbledError, BoardStalledError, SettingError
from crankfold.acquire.contract import Block
from crankfold.plugins.virtual import board as virtual_board
from crankfold.plugins.virtual.board import VirtualBoard, discover, open_board
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.plugins.virtual.settings import NAMES

SHORT = "pace=flat,quiet=0.5,crank=1,after=0.3,rate=2000"


def blocks(board: VirtualBoard) -> list[Block]:
    found = []
    board.start()
    while not board.finished:
        block = board.read(0.1)
        if block is not None:
            found.append(block)
    return found


def amps(board: VirtualBoard) -> np.ndarray:
    codes = np.concatenate([block.codes for block in blocks(board)])
    return codes[:, 0] * board.info.channels[0].scale + board.info.channels[0].offset


def test_opening_says_what_it_is_and_simulates_nothing() -> None:
    began = time.thread_time()
    with open_board("engine=launch,sync=waste-spark,rate=5000", {}) as board:
        info = board.info
    assert time.thread_time() - began < 0.5
    assert info.rate_hz == 5000.0 and [c.name for c in info.channels] == ["current", "sync"]
    assert [c.unit for c in info.channels] == ["A", "V"] and info.live and info.finite
    assert "launch" in info.title and info.address == "engine=launch,sync=waste-spark,rate=5000"
    assert "nothing here was measured" in " ".join(info.notes.values())


def test_codes_are_numbered_and_the_same_for_the_same_seed() -> None:
    one, two, other = (blocks(open_board(f"{SHORT},sync=cam,seed={seed}", {})) for seed in (3, 3, 4))
    assert one[0].first_index == 0 and all(b.first_index == a.next_index for a, b in pairwise(one))
    joined = [np.concatenate([b.codes for b in many]) for many in (one, two, other)]
    assert np.array_equal(joined[0], joined[1]) and not np.array_equal(joined[0], joined[2])
    assert joined[0].shape == (3599, 2) and joined[0].dtype == np.int16


def test_there_is_quiet_before_a_crank_with_an_inrush_and_quiet_after() -> None:
    current = amps(open_board(SHORT, {}))
    assert np.abs(current[:1000]).max() < 15.0
    assert current[1000:1200].max() > 400.0
    assert np.abs(current[-400:]).max() < 15.0


def test_volts_instead_of_amperes_differ_by_the_clamp_alone() -> None:
    scaled = open_board(f"{SHORT},clamp=4", {})
    plain = open_board(f"{SHORT},clamp=4,unit=V", {})
    assert plain.info.channels[0].unit == "V"
    assert np.allclose(amps(scaled), amps(plain) / 4e-3)
    battery = open_board(f"{SHORT},measure=battery-voltage", {})
    assert battery.info.channels[0].unit == "V" and amps(battery)[0] == pytest.approx(12.5, abs=0.2)


def test_dead_and_low_cylinders_are_so_in_truth() -> None:
    board = open_board("engine=launch,dead=3,low=2:60,pace=flat,quiet=0.3,crank=2.5,after=0.2", {})
    blocks(board)
    order = FLEET["launch"].bench.engine.firing_order
    relative = dict(zip(order, board.truths[0].relative_percent, strict=True))
    assert relative[3] < 3.0 and relative[2] == pytest.approx(60.0, abs=8.0)
    assert min(relative[c] for c in (1, 4, 5, 6)) > 93.0


@pytest.mark.parametrize(("fault", "lower"), [
    ("gasket=3+6", {3, 6}), ("inlet-lobe=4", {4}), ("unsteady=2", {2}), ("carbon=5:75", {1, 2, 3, 4, 6})])
def test_other_faults_are_so_in_truth(fault: str, lower: set[int]) -> None:
    board = open_board(f"engine=launch,{fault},pace=flat,quiet=0.3,crank=2.5,after=0.2", {})
    blocks(board)
    order = FLEET["launch"].bench.engine.firing_order
    relative = dict(zip(order, board.truths[0].relative_percent, strict=True))
    assert {c for c in relative if relative[c] < 90.0} == lower


def test_faults_go_together() -> None:
    board = open_board("gasket=2+4,low=3:50,carbon=1:90,left=5,pace=flat,quiet=0.3,crank=2.5,after=0.2", {})
    blocks(board)
    assert board.truths[0].relative_percent[1] < 65.0 and board.truths[0].relative_percent[0] == 100.0


def test_what_hangs_on_the_cables_is_seen_on_them() -> None:
    left = amps(open_board("pace=flat,quiet=2,crank=1,after=0.3,rate=2000,left=15,noise=0,remanence=0", {}))
    assert left[-1] == pytest.approx(15.0, abs=1.0) and abs(left[0]) < 1.0
    lamps = amps(open_board("pace=flat,quiet=2,crank=1,after=0.3,rate=2000,lamps=12,left=0,noise=0", {}))
    assert lamps[3900] == pytest.approx(12.0, abs=1.0) and 60.0 < lamps[1500:1700].max() < 110.0
    glow = amps(open_board("pace=flat,quiet=2,crank=1,after=0.3,rate=2000,glow=60,measure=battery-current,noise=0", {}))
    assert glow[3900] - glow[0] > 60.0


def test_one_cylinder_that_fires_is_named_by_the_settings() -> None:
    board = open_board(f"{SHORT},fires=1,fires-cylinder=4,burn=40", {})
    blocks(board)
    assert board.truths[0].end_s < 1.5
    with pytest.raises(SettingError, match="fires-cylinder names cylinder 9"):
        open_board(f"{SHORT},fires=1,fires-cylinder=9", {})


def test_several_crankings_with_rest_between() -> None:
    board = open_board(f"{SHORT},cranks=3,rest=2", {})
    current = amps(board)
    assert len(board.truths) == 3
    on = np.flatnonzero(np.convolve(current > 100.0, np.ones(200), "same") > 0)
    assert np.sum(np.diff(on) > 1000) == 2


def test_known_loss_is_counted_and_shifts_nothing() -> None:
    whole = np.concatenate([b.codes for b in blocks(open_board(SHORT, {}))])
    found = blocks(open_board(f"{SHORT},lose=150@1.1+7@1.5", {}))
    losses = {b.first_index: b.lost_before for b in found if b.lost_before}
    assert losses == {2200 + 150: 150, 3000 + 7: 7}
    for block in found:
        assert np.array_equal(block.codes, whole[block.first_index : block.next_index])


def test_unknown_loss_is_said_once() -> None:
    found = blocks(open_board(f"{SHORT},lose=?@1.0", {}))
    assert [b.lost_before for b in found].count(None) == 1


def test_samples_that_a_cheap_board_loses_are_counted_and_shift_nothing() -> None:
    whole = np.concatenate([b.codes for b in blocks(open_board(SHORT, {}))])
    found = blocks(open_board(f"{SHORT},lost=2", {}))
    lost = sum(b.lost_before or 0 for b in found)
    assert 0.01 < lost / len(whole) < 0.03
    assert len(whole) - found[-1].next_index < 20  # the end may be lost too, and nobody would know
    for block in found:
        assert np.array_equal(block.codes, whole[block.first_index : block.next_index])


def test_loss_beyond_the_end_ends_the_stream() -> None:
    found = blocks(open_board(f"{SHORT},lose=100000@1.0", {}))
    assert found[-1].next_index == 2000


@pytest.mark.parametrize(("fault", "error", "words"), [
    ("unplug", BoardDisconnectedError, "unplugged after 1 s"), ("garble", BoardGarbledError, "nonsense from 1 s")])
def test_board_that_breaks(fault: str, error: type[Exception], words: str) -> None:
    board = open_board(f"{SHORT},{fault}=1.0", {})
    board.start()
    given = 0
    with pytest.raises(error, match=words):
        while True:
            block = board.read(0.1)
            given += len(block.codes) if block is not None else 0
    assert given == 2000
    board.close()
    board.close()


def test_board_that_stalls_keeps_quiet_and_is_then_called_stalled(bench_clock: Any) -> None:
    board = open_board(f"{SHORT},stall=0.1", {})
    board.start()
    assert board.read(0.1) is not None
    began = bench_clock.monotonic()
    assert board.read(0.05) is None and bench_clock.monotonic() - began >= 0.05
    with pytest.raises(BoardStalledError, match=r"nothing since 0\.1 s"):
        while True:
            board.read(0.05)


def test_real_time_takes_its_time_and_waits_no_longer_than_asked(bench_clock: Any) -> None:
    blocks(open_board("quiet=0.1,crank=0.1,after=0.1,pace=flat", {}))  # compiled by now
    board = open_board("quiet=0.3,crank=0.3,after=0.2,rate=2000", {})
    board.start()
    began = bench_clock.monotonic()
    assert board.read(0.001) is None
    assert bench_clock.monotonic() - began < 0.01
    given = 0
    while not board.finished:
        block = board.read(0.1)
        given += len(block.codes) if block is not None else 0
    took = bench_clock.monotonic() - began
    assert given == 1599 and 0.79 < took < 0.82


def test_rate_error_runs_the_clock_faster_than_said() -> None:
    board = open_board(f"{SHORT},rate-error=10", {})
    assert board.info.rate_hz == 2000.0
    assert sum(len(b.codes) for b in blocks(board)) == 3959


def test_other_engines_can_be_described() -> None:
    kind = "firing-order=1-2,intervals=270-450,starter=series,battery=weak,fires=40,polarity=-1"
    board = open_board(f"{SHORT},{kind}", {})
    assert amps(board).min() < -200.0
    twostroke = open_board(f"{SHORT},firing-order=1-3-2,strokes=2,decompressor=2,bits=8,noise=0", {})
    assert np.ptp(amps(twostroke)) > 100.0


@pytest.mark.parametrize(("address", "words"), [
    ("engine=boat", "engine=boat is none of pump"), ("dead=9", "cylinder 9, which the engine lacks"),
    ("colour=red", "no setting 'colour'"), ("rate=fast", "rate=fast is not a number"),
    ("rate=1e9", "between 50 and 200000"), ("pump", "cannot read 'pump'"), ("dead=1,dead=2", "'dead' twice"),
    ("low=2", "low=2 needs ':'"), ("low=2:100", "leaves 100 percent"), ("bits=9.5", "isn't a whole number"),
    ("firing-order=1-1-2", "isn't possible"), ("firing-order=one", "not numbers"), ("intervals=100-200", "add up to"),
    ("strokes=3", "strokes=3 isn't possible"), ("lose=some@3", "no number of samples"), ("low=x:50", "cylinder 'x'"),
    ("sync=cam,sync-cylinder=8", "cylinder 8"), ("gasket=2", "names no two cylinders"), ("carbon=2:0", "0 percent"),
    ("gasket=2+9", "gasket names cylinder 9"), ("sync=radio", "sync=radio is none of none")])
def test_what_cannot_be_is_said_in_one_line(address: str, words: str) -> None:
    with pytest.raises(SettingError) as caught:
        open_board(address, {})
    text = str(caught.value)
    assert words in text and "\n" not in text and ";" in text


def test_settings_may_be_given_apart_but_not_twice() -> None:
    assert open_board("engine=pump", {"rate": "500"}).info.rate_hz == 500.0
    with pytest.raises(SettingError, match="'rate' twice"):
        open_board("rate=500", {"rate": "500"})


def test_every_board_that_is_discovered_opens() -> None:
    found = list(discover(1.0))
    assert len(found) == len(FLEET)
    for board in found:
        assert not board.problem
        open_board(board.address, {}).close()


def test_declaration_names_every_setting() -> None:
    (declaration,) = virtual_board.crankfold_boards()
    assert declaration.name == "virtual" and tuple(s.name for s in declaration.settings) == NAMES
    for setting in declaration.settings:
        if setting.name not in ("intervals", "sync-cylinder"):
            open_board(f"{setting.name}={setting.example}", {}).close()
