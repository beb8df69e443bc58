"""Every kind of file that is read, changed at random and steered: a recording or one sentence, in bounded time."""

from __future__ import annotations

import gc
import gzip
import io
import sys
import time
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    Plugins,
    RecordingPlan,
    SourceInfo,
    load_plugins,
    open_file,
    record,
    recover,
    save_capture,
)
from crankfold.acquire.stream.journal import JournalWriter
from crankfold.analysis import Capture, Channel, CrankfoldError

sys.path.insert(0, str(Path(__file__).parent))

from steered import steered

SECONDS_EACH = 100.0  # far above what any takes, also on a machine with much else to do
RATE = 1000.0
TIME_S = np.arange(300) / RATE
CURRENT = np.round(50 * np.sin(40 * TIME_S), 2)
SYNC = (np.arange(300) % 50 == 0).astype(float)


def as_numpy(folder: Path) -> Iterator[bytes]:
    for table in (np.column_stack([TIME_S, CURRENT, SYNC]), np.column_stack([TIME_S, CURRENT]).astype(">f4")):
        file = io.BytesIO()
        np.save(file, table)
        yield file.getvalue()


def as_archive(folder: Path) -> Iterator[bytes]:
    for write in (np.savez, np.savez_compressed):
        file = io.BytesIO()
        write(file, clamp=CURRENT, mark=SYNC, fs=RATE)
        yield file.getvalue()


def as_wav(folder: Path) -> Iterator[bytes]:
    import soundfile

    for kind in ("PCM_16", "FLOAT", "PCM_24"):
        path = folder / "x.wav"
        soundfile.write(path, np.column_stack([CURRENT, SYNC]) / 100, 8000, subtype=kind)
        yield path.read_bytes()


def as_flac(folder: Path) -> Iterator[bytes]:
    import soundfile

    soundfile.write(folder / "x.flac", np.column_stack([CURRENT, SYNC]) / 100, 8000)
    yield (folder / "x.flac").read_bytes()


def as_parquet(folder: Path) -> Iterator[bytes]:
    import pyarrow as pa
    from pyarrow import parquet

    parquet.write_table(pa.table({"time (s)": TIME_S, "clamp (mV)": CURRENT, "mark": SYNC}), folder / "x.parquet")
    yield (folder / "x.parquet").read_bytes()


def as_mdf(folder: Path) -> Iterator[bytes]:
    from asammdf import MDF, Signal

    for version, name in (("4.10", "x.mf4"), ("3.30", "x.mdf")):
        with MDF(version=version) as file:
            file.append([Signal(CURRENT, TIME_S, name="Clamp", unit="A"), Signal(SYNC, TIME_S, name="Mark")])
            file.save(folder / name, overwrite=True)
        yield (folder / name).read_bytes()


def as_matlab(folder: Path) -> Iterator[bytes]:
    import h5py
    import scipy.io

    for options in ({}, {"do_compression": True}, {"format": "4"}):
        scipy.io.savemat(folder / "x.mat", {"time_s": TIME_S, "clamp": CURRENT, "mark": SYNC}, **options)
        yield (folder / "x.mat").read_bytes()
    with h5py.File(folder / "y.mat", "w", userblock_size=512) as file:
        file.create_dataset("clamp", data=CURRENT[None])
        file.create_dataset("fs", data=[[RATE]])
    yield (folder / "y.mat").read_bytes()


def as_capture(folder: Path) -> Iterator[bytes]:
    capture = Capture.from_arrays(CURRENT, rate_hz=RATE, sync=SYNC)
    save_capture(Capture(capture.samples, RATE, (Channel("current", "A", 0.01, code_dtype="int16"),
                                                 Channel("sync", "V", code_range=(0, 1), code_dtype="uint8")),
                         notes={"boat": "launch"}), folder / "x.h5")
    yield (folder / "x.h5").read_bytes()


def as_csv(folder: Path) -> Iterator[bytes]:
    table = "\n".join(f"{t:.3f},{a},{b:.0f}" for t, a, b in zip(TIME_S, CURRENT, SYNC, strict=True))
    yield ("Time (s),Clamp (mV),Sync\n" + table + "\n").encode()
    german = table.replace(",0\n", "\n").replace(",", ";").replace(".", ",")
    yield ("# harbour\nTime;Clamp\n(ms);(mV)\n" + german).encode()


def as_gzip(folder: Path) -> Iterator[bytes]:
    for data in as_csv(folder):
        yield gzip.compress(data)


KINDS: dict[str, tuple[Callable[[Path], Iterator[bytes]], str]] = {
    "numpy": (as_numpy, "f.npy"), "archive": (as_archive, "f.npz"), "wav": (as_wav, "f.wav"),
    "flac": (as_flac, "f.flac"), "parquet": (as_parquet, "f.parquet"), "mdf": (as_mdf, "f.mf4"),
    "matlab": (as_matlab, "f.mat"), "capture": (as_capture, "f.h5"), "csv": (as_csv, "f.csv"),
    "csv in gzip": (as_gzip, "f.csv.gz")}


@pytest.fixture(scope="module")
def plugins() -> Plugins:
    return load_plugins(enabled=False)


def one_sentence(error: CrankfoldError) -> None:
    text = str(error)
    assert "\n" not in text
    assert len(text) < 600, text
    assert not isinstance(error, AcquireError) or error.remedy


def taken_in(path: Path, plugins: Plugins) -> None:
    """Read a file as the command does; anything but captures or one sentence is a fault."""
    began_s = time.monotonic()
    try:
        for capture in record(open_file(path, {}, plugins), RecordingPlan()):
            assert 0 < capture.rate_hz < np.inf
            assert capture.samples.ndim == 2 and capture.samples.shape[1] == len(capture.channels) >= 1
            assert not np.isinf(capture.samples).any()
            assert all(gap.start >= 0 and gap.start + gap.length <= len(capture.samples) for gap in capture.gaps)
    except CrankfoldError as error:
        one_sentence(error)
        assert "the driver of" not in str(error), error  # the recorder's words for a plugin that broke its promise
    assert time.monotonic() - began_s < SECONDS_EACH


@pytest.mark.timeout(1300)
@pytest.mark.parametrize("seconds", [1.0, pytest.param(120.0, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", KINDS)
def test_any_change_of_a_good_file(tmp_path: Path, plugins: Plugins, little_memory: None, kind: str,
                                   seconds: float) -> None:
    make, name = KINDS[kind]
    path = tmp_path / name

    turns = count()

    def run(data: bytes) -> None:
        path.write_bytes(data)
        taken_in(path, plugins)
        if next(turns) % 20 == 0:
            gc.collect()  # errors hold on to the rings of their recordings, and address space is short here

    found = steered(run, list(make(tmp_path)), seconds=seconds)
    assert found.executions >= 3
    assert found.reached > 50
    print(f"{kind}: {found.executions} executions, {len(found.corpus)} kept, {found.reached} steps reached")


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", [0.5, pytest.param(120.0, marks=pytest.mark.slow)])
def test_any_change_of_a_journal(tmp_path: Path, little_memory: None, seconds: float) -> None:
    channel = Channel("current", "A", code_dtype="int16")
    info = SourceInfo(RATE, (channel,), np.dtype(np.int16), "cart", notes={"a": "b"})
    writer = JournalWriter(tmp_path / "good.journal", info, rate_hz=RATE, trigger_index=5, onset_utc=None)
    for first in range(0, 90, 30):
        writer.append(first, np.arange(30, dtype=np.int16)[:, None])
    writer.close()

    def run(data: bytes) -> None:
        (tmp_path / "f.journal").write_bytes(data)
        try:
            capture = recover(tmp_path / "f.journal").capture
        except AcquireError as error:
            one_sentence(error)
        else:
            assert np.isfinite(capture.samples).any()

    found = steered(run, [(tmp_path / "good.journal").read_bytes()], seconds=seconds)
    print(f"journal: {found.executions} executions, {found.reached} steps reached")
