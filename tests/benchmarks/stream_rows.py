"""Rows of the table from the board to the capture file."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import fastcrc
import h5py
import numpy as np
import test_csv_speed
import test_usb_speed
from cobs import cobs
from measuring import Row, best_cpu_s, best_s

from crankfold.acquire import RingBuffer, save_capture
from crankfold.acquire.files.storage import load_capture
from crankfold.analysis import Capture, Channel
from crankfold.analysis.signal.detector import CrankingDetector
from crankfold.plugins.serial.frame_codec import FrameDecoder, encode_frame
from crankfold.plugins.serial.line_decoder import LineDecoder
from crankfold.plugins.serial.line_finding import find_style

USB_MB_PER_S = 2.0 * test_usb_speed.USB_HIGH_SPEED_BYTES_PER_S / 1e6
CHUNK = 65_536
CSV_ROWS = 1_500_000
PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6 if hasattr(os, "sysconf") else 0.0


def board_to_trigger() -> Row:
    data = test_usb_speed.transfers(True)
    whole, decoding = best_cpu_s(lambda: test_usb_speed.follow(data), lambda: test_usb_speed.decode(True, data))
    rate = test_usb_speed.TRANSFER * test_usb_speed.TRANSFERS / whole / 1e6
    return Row("board to ring to trigger, one core", f"twice what USB 2.0 carries, {USB_MB_PER_S:.0f} MB/s",
               f">= {USB_MB_PER_S:.0f} MB/s", f"{rate:.0f} MB/s ({whole / decoding:.1f} x decoding alone)",
               rate >= USB_MB_PER_S)


def ring_write() -> Row:
    codes = np.random.default_rng(0).integers(-5, 5, (2_000_000, 2)).astype(np.int16)
    blocks = [codes[at : at + 4096] for at in range(0, len(codes) - 4096, 4096)]
    ring, rows = RingBuffer(200_000, channels=2, dtype=np.int16), np.zeros((2, 4096), np.int16)
    rolled = codes[:200_000].T

    def plain() -> None:
        for block in blocks:
            rows[:] = block.T

    def through() -> None:
        for block in blocks:
            ring.append(block)

    ours, copying, shifting = best_cpu_s(through, plain, lambda: [np.roll(rolled, -4096, axis=1) for _ in range(8)])
    ratio, rolls = ours / copying, shifting / 8 / (ours / len(blocks))
    return Row("ring write, blocks of 4,096 x 2", "copying the same blocks; np.roll of the ring",
               "<= 2 x copying", f"{ratio:.2f} x, {ours / len(blocks) * 1e6:.1f} us each; np.roll {rolls:.0f} x ours",
               ratio <= 2.0)


def frames() -> Row:
    draw = np.random.default_rng(3)
    stream = b"".join(encode_frame(draw.integers(0, 256, 252, dtype=np.uint8).tobytes()) for _ in range(2048))
    chunks = [stream[at : at + CHUNK] for at in range(0, len(stream), CHUNK)]

    def ours() -> None:
        decoder = FrameDecoder()
        assert sum(len(run) for chunk in chunks for run in decoder.feed(chunk)) == 2048

    def reference() -> None:
        for chunk in chunks:
            for frame in chunk.split(b"\0"):
                if frame:
                    fastcrc.crc16.ibm_3740(cobs.decode(frame))

    mine, theirs = best_cpu_s(ours, reference, repeats=20)
    return _fast_enough("frames, COBS + CRC-16, 256 bytes", "cobs (C) + fastcrc", 400.0, 0.77, len(stream), mine,
                        theirs)


def text_lines() -> Row:
    draw = np.random.default_rng(4)
    lines = [b"%d,%d\n" % tuple(pair) for pair in draw.integers(100, 1000, (100_000, 2)).tolist()]
    style = find_style([line[:-1] for line in lines[:50]])
    assert style is not None
    text = b"".join(lines)
    chunks = [text[at : at + CHUNK] for at in range(0, len(text), CHUNK)]
    plain = [chunk.replace(b",", b" ") for chunk in chunks]

    def ours() -> None:
        decoder = LineDecoder(style)
        assert sum(len(piece.values) for chunk in chunks for piece in decoder.feed(chunk)) == len(lines)

    mine, theirs = best_cpu_s(ours, lambda: [np.fromstring(chunk, np.int64, sep=" ") for chunk in plain], repeats=20)
    return _fast_enough("text lines `123,456`, 64 KiB chunks", "np.fromstring", 200.0, 0.72, len(text), mine, theirs)


def _fast_enough(work: str, reference: str, wanted_mb_per_s: float, share: float, size: int, mine: float,
                 theirs: float) -> Row:
    """Return the row of a budget in MB/s; a slower machine is held to the same share of the reference's speed."""
    rate = size / mine / 1e6
    return Row(work, f"{reference}: {size / theirs / 1e6:.0f} MB/s",
               f">= {wanted_mb_per_s:.0f} MB/s, or {share} x that",
               f"{rate:.0f} MB/s ({theirs / mine:.2f} x)", rate >= wanted_mb_per_s or theirs / mine >= share)


def trigger() -> Row:
    samples = np.random.default_rng(0).integers(-5, 5, 4_000_000).astype(np.int16)
    watch, place = CrankingDetector(1e6, Channel("current", "A", 0.1, code_dtype="int16")), [0]

    def ours() -> None:
        for at in range(0, len(samples), CHUNK):
            watch.feed(place[0], samples[at : at + CHUNK])
            place[0] += len(samples[at : at + CHUNK])

    mine, maxima = best_cpu_s(ours, lambda: [b.max() for b in samples[: len(samples) // 4096 * 4096].reshape(-1, 4096)])
    rate = len(samples) / mine / 1e6
    return Row("onset trigger", f"one maximum per 4,096 samples: {len(samples) / maxima / 1e6:.0f} MS/s",
               ">= 500 MS/s, or 0.2 x that", f"{rate:.0f} MS/s ({maxima / mine:.2f} x)",
               rate >= 500 or mine <= 5 * maxima)


def csv_table() -> Row:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        test_csv_speed.write_table(path, CSV_ROWS)
        ours, theirs = best_cpu_s(lambda: test_csv_speed.read_all(path),
                                  lambda: np.loadtxt(path, delimiter=",", skiprows=1), repeats=3)
        memory_mb = float(subprocess.run([sys.executable, "-c", test_csv_speed.MEASURE, path], capture_output=True,
                                         text=True, check=True).stdout)
    return Row(f"CSV, {CSV_ROWS:,} rows x 3", "np.loadtxt", "<= 1.5 x its time, <= 200 MB",
               f"{ours / theirs:.2f} x, {CSV_ROWS / ours / 1e6:.1f} M rows/s, {memory_mb:.0f} MB",
               ours <= 1.5 * theirs and memory_mb <= 200)


def capture_file() -> Row:
    rng, at = np.random.default_rng(1), np.arange(1_000_000) / 1e5
    steps = np.column_stack([np.round((150 + 80 * np.sin(38 * at) + rng.normal(0, 1, len(at))) / 0.05),
                             np.round(rng.normal(0, 50, len(at)))])
    channels = (Channel("current", "A", 0.05, 0.0, (-32768, 32767), "int16"),
                Channel("sync", "V", 0.001, 0.0, (-32768, 32767), "int16"))
    capture, codes = Capture(steps * [0.05, 0.001], 1e5, channels), steps.astype(np.int16)

    def packed() -> None:
        with h5py.File("x", "w", driver="core", backing_store=False) as file:
            for column in range(2):
                file.create_dataset(str(column), data=codes[:, column], compression="gzip", compression_opts=1,
                                    shuffle=True, chunks=(65_536,))

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.h5"
        saved, loaded, packing = best_s(lambda: save_capture(capture, path), lambda: load_capture(path), packed)
        size_mb = path.stat().st_size / 1e6
    return Row("capture file, 2 x 10 s x 100 kS/s", f"h5py packing the same codes: {packing * 1e3:.0f} ms",
               "<= 100 ms, or 2.4 x that",
               f"{saved * 1e3:.0f} ms ({saved / packing:.2f} x); reading {loaded * 1e3:.0f} ms; {size_mb:.1f} MB",
               saved <= max(0.1, 2.4 * packing))


def memory() -> Row:
    """How much a stream that goes on and on adds, after its first tenth; hours of it are simulated by the soak test."""
    data = test_usb_speed.transfers(True)
    test_usb_speed.follow(data)
    before = _resident_mb()
    for _ in range(9):
        test_usb_speed.follow(data)
    grown = _resident_mb() - before
    samples = 9 * test_usb_speed.TRANSFER * test_usb_speed.TRANSFERS // 4
    return Row(f"memory over {samples / 1e6:.0f} M sample pairs", "the first 4 M", "constant: <= 2 MB more",
               f"{grown:+.1f} MB", grown <= 2.0)


def _resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE_MB


ROWS = (board_to_trigger, ring_write, frames, text_lines, trigger, csv_table, capture_file, memory)
