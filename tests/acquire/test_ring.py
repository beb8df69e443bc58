"""The ring against a plain list that keeps everything: any writes, any reads, gaps, breaks, overruns and closing."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from crankfold.acquire import BoardDisconnectedError, RingBuffer, RingOverrunError

WRITES = st.lists(st.tuples(st.integers(0, 40), st.sampled_from([0, 0, 0, 1, 5, 70, None])), max_size=20)


def rows_from(start, count, channels=2):
    return (np.arange(start, start + count)[:, None] * channels + np.arange(channels)).astype(np.int32)


def written(capacity, writes):
    """A ring, the truth as one array, which samples are filler, and where it breaks."""
    ring = RingBuffer(capacity, channels=2, dtype=np.int32)
    truth, lost, breaks = [], [], []
    for count, missing in writes:
        if missing is None:
            breaks.append(len(truth))
        else:
            truth += [None] * missing
            lost += [True] * missing
        block = rows_from(len(truth), count)
        ring.append(block, lost_before=missing)
        truth += list(block)
        lost += [False] * count
    return ring, truth, lost, breaks


@example(capacity=1, writes=[(2, 1), (1, None)])
@given(capacity=st.integers(1, 50), writes=WRITES)
def test_it_keeps_the_last_samples_under_their_own_index(capacity, writes) -> None:
    ring, truth, lost, breaks = written(capacity, writes)
    assert ring.next_index == len(truth)
    assert ring.oldest_index == max(0, len(truth) - capacity)
    start = max([ring.oldest_index, *breaks])
    piece = ring.copy(start, ring.next_index)
    gaps = np.zeros(len(truth) + 1, bool)
    for gap in piece.gaps:
        assert start <= gap.start < gap.stop <= ring.next_index
        gaps[gap.start : gap.stop] = True
    assert gaps[start : len(truth)].tolist() == lost[start:]
    for at in range(start, len(truth)):
        if truth[at] is not None:
            assert piece.codes[:, at - start].tolist() == truth[at].tolist()


@given(capacity=st.integers(1, 60), writes=WRITES, sizes=st.lists(st.integers(1, 30), min_size=1, max_size=30))
def test_readers_at_their_own_pace_see_the_same_and_never_across_a_break(capacity, writes, sizes) -> None:
    ring, truth, _, breaks = written(10_000, writes)
    slow, fast = ring.reader(0), ring.reader(0)
    whole = []
    while (piece := fast.read(0.0)) is not None:
        assert not any(piece.first_index < at < piece.next_index for at in breaks)
        assert piece.after_break == (piece.first_index in breaks)
        whole.append(piece)
    seen = sum(piece.codes.shape[1] for piece in whole)
    assert seen == len(truth)
    at = 0
    for most in sizes:
        piece = slow.read(0.0, most=most)
        if piece is None:
            break
        assert piece.first_index == at
        assert 1 <= piece.codes.shape[1] <= most
        np.testing.assert_array_equal(piece.codes, ring.copy(at, piece.next_index).codes)
        at = piece.next_index
    assert fast.behind == 0


def test_reading_what_is_overwritten_names_both_indices() -> None:
    ring = RingBuffer(10, channels=1, dtype=np.int16)
    reader = ring.reader(0)
    ring.append(np.zeros((25, 1), np.int16))
    with pytest.raises(RingOverrunError, match="sample 0 is overwritten, the oldest kept is 15") as error:
        reader.read(0.0)
    assert (error.value.wanted, error.value.oldest) == (0, 15)
    assert reader.skip() == 15
    assert reader.read(0.0).first_index == 15
    with pytest.raises(ValueError, match="not in the ring"):
        ring.copy(20, 26)


def test_a_gap_longer_than_memory_costs_no_memory() -> None:
    ring = RingBuffer(100, channels=1, dtype=np.int16)
    ring.append(np.full((10, 1), 7, np.int16))
    ring.append(np.full((3, 1), 9, np.int16), lost_before=10**12)
    assert ring.next_index == 10**12 + 13
    piece = ring.copy(ring.oldest_index, ring.next_index)
    assert piece.codes[0].tolist() == [7] * 97 + [9] * 3
    assert [(gap.start, gap.length) for gap in piece.gaps] == [(ring.oldest_index, 97)]


def test_a_stream_that_loses_all_the_time_does_not_grow() -> None:
    ring = RingBuffer(50, channels=1, dtype=np.int8)
    for _ in range(3000):
        ring.append(np.zeros((1, 1), np.int8), lost_before=1)
        ring.append(np.zeros((1, 1), np.int8), lost_before=None)
    assert ring._marks.nbytes == ring.capacity  # however often something is lost


def test_closing_wakes_every_waiter_with_the_cause() -> None:
    ring = RingBuffer(10, channels=1, dtype=np.int16)
    cause = BoardDisconnectedError("the cable is out", "put it back")
    seen = []

    def wait():
        try:
            ring.reader().read(600.0)
        except BoardDisconnectedError as error:
            seen.append(error)

    waiters = [threading.Thread(target=wait) for _ in range(3)]
    for waiter in waiters:
        waiter.start()
    time.sleep(0.05)
    ring.close(cause)
    ring.close(None)  # the first close counts
    for waiter in waiters:
        waiter.join()
    assert seen == [cause] * 3


def test_what_was_written_before_closing_can_still_be_read() -> None:
    ring = RingBuffer(10, channels=1, dtype=np.int16)
    reader = ring.reader()
    ring.append(np.ones((4, 1), np.int16))
    ring.close()
    assert reader.read(0.0).codes.tolist() == [[1, 1, 1, 1]]
    assert reader.read(5.0) is None
    with pytest.raises(RuntimeError, match="closed"):
        ring.append(np.ones((1, 1), np.int16))


def test_a_reader_waits_for_samples(long_s) -> None:
    ring = RingBuffer(10, channels=1, dtype=np.int16)
    reader = ring.reader()
    threading.Timer(0.05, lambda: ring.append(np.ones((4, 1), np.int16))).start()
    assert reader.read(long_s).codes.shape == (1, 4)
    begun = time.monotonic()
    assert reader.read(0.1) is None
    assert time.monotonic() - begun >= 0.1, "it waits as long as it was told"


def test_a_writer_and_two_readers_lose_nothing() -> None:
    ring = RingBuffer(4096, channels=1, dtype=np.int64)
    total, readers = 200_000, [ring.reader(0), ring.reader(0)]
    seen: list[list[np.ndarray]] = [[], []]

    def follow(at):
        while (piece := readers[at].read(5.0)) is not None:
            seen[at].append(piece.codes[0])

    followers = [threading.Thread(target=follow, args=(at,)) for at in range(2)]
    for follower in followers:
        follower.start()
    for start in range(0, total, 100):
        while start + 100 - min(reader.next_index for reader in readers) > ring.capacity:
            time.sleep(0.0005)
        ring.append(np.arange(start, start + 100)[:, None])
    ring.close()
    for follower in followers:
        follower.join(10)
    for pieces in seen:
        np.testing.assert_array_equal(np.concatenate(pieces), np.arange(total))


@settings(max_examples=30)
@given(start=st.integers(0, 300), length=st.integers(0, 100))
def test_views_are_the_samples_without_a_copy(start, length) -> None:
    ring = RingBuffer(128, channels=2, dtype=np.int32)
    ring.append(rows_from(0, 300))
    start = max(start, ring.oldest_index)
    stop = min(start + length, 300)
    if start > stop:
        return
    views = ring.views(1, start, stop)
    assert len(views) <= 2
    np.testing.assert_array_equal(np.concatenate(views), np.arange(start, stop) * 2 + 1)
    assert all(not view.flags.owndata for view in views)


@pytest.mark.parametrize(("capacity", "channels"), [(0, 1), (1, 0), (-3, 1)])
def test_an_impossible_ring_is_refused(capacity, channels) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        RingBuffer(capacity, channels=channels, dtype=np.int16)


def test_codes_of_another_shape_are_refused() -> None:
    ring = RingBuffer(10, channels=2, dtype=np.int16)
    with pytest.raises(ValueError, match="do not fit 2 channels"):
        ring.append(np.zeros((4, 1), np.int16))
    assert (ring.capacity, ring.channels, ring.closed) == (10, 2, False)


def test_gaps_and_breaks_are_listed_by_absolute_index() -> None:
    ring = RingBuffer(100, channels=1, dtype=np.int16)
    ring.append(np.zeros((10, 1), np.int16))
    ring.append(np.zeros((10, 1), np.int16), lost_before=5)
    ring.append(np.zeros((10, 1), np.int16), lost_before=None)
    assert [(gap.start, gap.length) for gap in ring.copy(12, 25).gaps] == [(12, 3)]
    with pytest.raises(ValueError, match="unknown number"):
        ring.copy(20, 30)
    assert ring.copy(25, 30).after_break


def test_a_reader_ahead_of_the_stream_waits_for_its_own_place() -> None:
    ring = RingBuffer(100, channels=1, dtype=np.int16)
    ring.append(np.zeros((10, 1), np.int16))
    reader = ring.reader(15)
    threading.Timer(0.05, lambda: ring.append(np.arange(10, 30, dtype=np.int16)[:, None])).start()
    piece = reader.read(5.0)
    assert (piece.first_index, piece.codes[0, 0], piece.next_index) == (15, 15, 30)


def test_what_was_missed_is_counted_from_where_the_reader_stood() -> None:
    ring = RingBuffer(10, channels=1, dtype=np.int16)
    reader = ring.reader(0)
    ring.append(np.zeros((5, 1), np.int16))
    assert reader.read(0.0).next_index == 5
    ring.append(np.zeros((25, 1), np.int16))
    assert (reader.skip(), reader.next_index, reader.skip()) == (15, 20, 0)


def test_any_number_of_gaps_is_remembered_exactly() -> None:
    """A hundred thousand losses, of which an older ring remembered ten thousand and took filler for the rest."""
    ring = RingBuffer(400_000, channels=1, dtype=np.int16)
    ring.append(np.zeros((1, 1), np.int16))
    for _ in range(100_000):
        ring.append(np.ones((2, 1), np.int16), lost_before=1)
    piece = ring.copy(0, ring.next_index)
    assert len(piece.gaps) == ring.gap_count(0, ring.next_index) == 100_000
    assert {gap.length for gap in piece.gaps} == {1}
    assert [gap.start for gap in piece.gaps[:3]] == [1, 4, 7]
    assert sum(codes.shape[1] for _, codes in ring.present(0, ring.next_index)) == 200_001


def test_any_number_of_breaks_is_kept_apart() -> None:
    ring = RingBuffer(60_000, channels=1, dtype=np.int16)
    for _ in range(30_000):
        ring.append(np.ones((2, 1), np.int16), lost_before=None)
    for start in (2, 20_000, 59_996):
        with pytest.raises(ValueError, match="unknown number"):
            ring.copy(start, start + 3)
        assert ring.copy(start, start + 2).after_break
