"""Captures written in open formats: read back by the formats' own libraries and by our readers, exact to the code."""

from __future__ import annotations

import sys
import wave
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
import soundfile
from asammdf import MDF
from pyarrow import parquet
from scipy.io import wavfile

from crankfold.acquire import load_plugins, open_file
from crankfold.acquire.errors import SaveError
from crankfold.acquire.stream.caught import read_captured
from crankfold.acquire.writers import WRITERS, write_capture
from crankfold.analysis import Capture, Channel, Gap

STARTED = datetime(2024, 5, 17, 8, 30, 15, 250000, tzinfo=UTC)
CHANNELS = (Channel("current", "A", 0.0488281, -100.3, (0, 4095), "uint16"),
            Channel("sync", "V", 1.0 / 3.0, 0.0, (-128, 127), "int8"))
EXACT_VALUES = [".csv", ".h5", ".parquet", ".mf4"]
TABLES = [".csv", ".parquet", ".mf4"]


def coded(rate_hz: float = 5000.0, gaps: tuple[Gap, ...] = (), count: int = 12_000) -> Capture:
    draw = np.random.default_rng(7)
    codes = np.column_stack([draw.integers(0, 4096, count), draw.integers(-128, 128, count)])
    samples = codes * [c.scale for c in CHANNELS] + [c.offset for c in CHANNELS]
    return Capture(samples, rate_hz, CHANNELS, trigger_index=5, gaps=gaps, started_utc=STARTED, origin="bench 3",
                   notes={"engine": "irrigation pump", "by": "the boatswain"})


def plain() -> Capture:
    draw = np.random.default_rng(8)
    return Capture(draw.normal(150, 40, (12_000, 1)), 4000.0, (Channel("current", "A"),))


def codes_of(capture: Capture) -> np.ndarray:
    return (capture.samples - [c.offset for c in CHANNELS]) / [c.scale for c in CHANNELS]


def read_back(path: Path, **settings: str) -> Capture:
    with open_file(path, settings, load_plugins()) as source:
        source.start()
        return read_captured(source)


@pytest.mark.parametrize("ending", EXACT_VALUES)
@pytest.mark.parametrize("rate_hz", [5000.0, 4999.873])
def test_our_readers_find_every_code_again(tmp_path: Path, ending: str, rate_hz: float) -> None:
    capture = coded(rate_hz)
    write_capture(capture, tmp_path / f"x{ending}")
    back = read_back(tmp_path / f"x{ending}")
    assert [(c.name, c.unit) for c in back.channels] == [("current", "A"), ("sync", "V")]
    assert back.rate_hz == pytest.approx(rate_hz, rel=1e-9)
    assert codes_of(back) == pytest.approx(np.rint(codes_of(capture)), abs=0.02)
    if ending != ".csv":
        assert np.array_equal(back.samples, capture.samples)


@pytest.mark.parametrize("ending", [*EXACT_VALUES, ".wav"])
def test_values_without_codes_keep_every_bit(tmp_path: Path, ending: str) -> None:
    write_capture(plain(), tmp_path / f"x{ending}")
    back = read_back(tmp_path / f"x{ending}")
    assert np.array_equal(back.samples, plain().samples)
    assert back.rate_hz == pytest.approx(4000.0, rel=1e-9)


@pytest.mark.parametrize("ending", EXACT_VALUES)
def test_lost_samples_stay_lost_in_their_place(tmp_path: Path, ending: str) -> None:
    gaps = (Gap(2000, 1), Gap(7000, 300))
    write_capture(coded(gaps=gaps), tmp_path / f"x{ending}")
    back = read_back(tmp_path / f"x{ending}")
    assert back.gaps == gaps
    assert len(back.samples) == 12_000


@pytest.mark.parametrize("ending", [".h5", ".parquet", ".mf4"])
def test_start_and_notes_are_kept_where_there_is_room(tmp_path: Path, ending: str) -> None:
    write_capture(coded(), tmp_path / f"x{ending}")
    with open_file(tmp_path / f"x{ending}", {}, load_plugins()) as source:
        assert "irrigation pump" in " ".join(source.info.notes.values())
        if ending != ".parquet":
            assert source.info.started_utc == STARTED
        else:
            assert source.info.notes["started_utc"] == STARTED.isoformat()


def test_csv_by_pandas(tmp_path: Path) -> None:
    capture = coded()
    lost = write_capture(capture, tmp_path / "x.csv")
    frame = pd.read_csv(tmp_path / "x.csv")
    assert frame.columns.tolist() == ["time (s)", "current (A)", "sync (V)"]
    assert frame["time (s)"].to_numpy() == pytest.approx(np.arange(12_000) / 5000.0, abs=1e-9)
    values = frame[["current (A)", "sync (V)"]].to_numpy()
    assert np.array_equal(np.rint((values - [-100.3, 0.0]) / [0.0488281, 1 / 3]), np.rint(codes_of(capture)))
    assert len(lost) == 3
    assert b"\r\n" in (tmp_path / "x.csv").read_bytes()


def test_parquet_by_pyarrow(tmp_path: Path) -> None:
    capture = coded()
    assert write_capture(capture, tmp_path / "x.parquet") == ()
    table = parquet.read_table(tmp_path / "x.parquet")
    assert np.array_equal(table["current"].to_numpy(), capture.samples[:, 0])
    assert table.schema.field("sync").metadata[b"unit"] == b"V"
    assert table.schema.field("current").metadata[b"code_range"] == b"0 4095"
    assert float(table.schema.metadata[b"rate_hz"]) == 5000.0
    assert table.schema.metadata[b"trigger_index"] == b"5"


def test_mdf_by_asammdf(tmp_path: Path) -> None:
    capture = coded()
    write_capture(capture, tmp_path / "x.mf4")
    with MDF(tmp_path / "x.mf4") as measurement:
        physical, raw = measurement.get("current"), measurement.get("current", raw=True)
        assert physical.unit == "A"
        assert np.array_equal(physical.samples, capture.samples[:, 0])
        assert raw.samples.dtype == np.uint16
        assert np.array_equal(raw.samples, np.rint(codes_of(capture)[:, 0]))
        assert measurement.get("sync").timestamps == pytest.approx(np.arange(12_000) / 5000.0)
        assert measurement.header.start_time.astimezone(UTC) == STARTED


def test_sound_by_three_libraries(tmp_path: Path) -> None:
    """Ours holds a comment chunk; all three take the codes as they are."""
    capture, path = coded(), tmp_path / "x.wav"
    lost = write_capture(capture, path)
    codes = np.rint(codes_of(capture)).astype(np.int64)
    rate, by_scipy = wavfile.read(path)
    assert (rate, by_scipy.dtype) == (5000, np.int16)
    assert np.array_equal(by_scipy, codes)
    assert np.array_equal(soundfile.read(path, dtype="int16")[0], codes)
    with wave.open(str(path)) as sound:
        assert np.array_equal(np.frombuffer(sound.readframes(12_000), "<i2").reshape(-1, 2), codes)
    assert b"current = code * 0.0488281 + -100.3 A" in path.read_bytes()
    assert "the notes" in lost
    ours = read_back(path, **{"full-scale": "32768A"})
    assert np.array_equal(ours.samples, codes)


def test_sound_of_values_and_of_wide_codes(tmp_path: Path) -> None:
    write_capture(plain(), tmp_path / "x.wav")
    rate, values = wavfile.read(tmp_path / "x.wav")
    assert (rate, values.dtype) == (4000, np.float64)
    assert np.array_equal(values.ravel(), plain().samples.ravel())
    assert np.array_equal(soundfile.read(tmp_path / "x.wav")[0], plain().samples.ravel())
    codes = np.array([[-(2**23)], [2**23 - 1], [5]] * 9)
    write_capture(Capture(codes * 1e-6, 2000.0, (Channel("current", "V", 1e-6, 0.0, None, "int32"),)),
                  tmp_path / "y.wav")
    _, wide = wavfile.read(tmp_path / "y.wav")
    assert wide.dtype == np.int32
    assert np.array_equal(wide, codes.ravel())


def test_sound_says_what_it_cannot_hold(tmp_path: Path) -> None:
    with pytest.raises(SaveError, match="no place for gaps"):
        write_capture(coded(gaps=(Gap(9, 3),)), tmp_path / "x.wav")
    assert not list(tmp_path.iterdir())
    assert any("4999.873 Hz, written as 5000" in what for what in write_capture(coded(4999.873), tmp_path / "x.wav"))


def test_hdf5_by_h5py(tmp_path: Path) -> None:
    capture = coded()
    write_capture(capture, tmp_path / "x.h5")
    with h5py.File(tmp_path / "x.h5") as file:
        data = file["channels/current"]
        values = data[()] * data.attrs["scale"] + data.attrs["offset"]
        assert np.array_equal(values, capture.samples[:, 0])


@pytest.mark.parametrize("ending", WRITERS)
def test_the_same_capture_gives_the_same_file(tmp_path: Path, ending: str) -> None:
    """But for MDF, whose history says by the standard when it was written: there the samples are the same."""
    for name in ("one", "two"):
        write_capture(coded(), tmp_path / f"{name}{ending}")
    one, two = ((tmp_path / f"{name}{ending}") for name in ("one", "two"))
    assert one.read_bytes() == two.read_bytes() or (
        ending == ".mf4" and np.array_equal(read_back(one).samples, read_back(two).samples))


@pytest.mark.parametrize(("ending", "package"), [(".parquet", "pyarrow"), (".mf4", "asammdf")])
def test_a_missing_library_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str, package: str) -> None:
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(SaveError, match=rf"{package}.*crankfold\[formats\]"):
        write_capture(coded(), tmp_path / f"x{ending}")


def test_from_file_to_file_to_the_same_verdict(in_process, dead_csv: Path) -> None:
    for out in ("x.parquet", "x.mf4", "x.csv", "x.h5"):
        done = in_process("export", dead_csv, "--out", out)
        assert done.returncode == 0, done.stderr
        assert done.stdout == f"Wrote {out}\n"
    answers = {in_process("analyse", path, "--firing-order", "1-3-4-2", "--sync", "waste-spark:1", "--json", "-").stdout
               for path in (dead_csv, "x.parquet", "x.mf4", "x.csv", "x.h5")}
    assert len(answers) == 1
    assert '"verdict": "uneven"' in answers.pop()


def test_a_probe_is_applied_when_it_is_named(in_process, tmp_path: Path) -> None:
    write_capture(replace(plain(), channels=(Channel("current", "V"),)), tmp_path / "volts.csv")
    assert in_process("export", tmp_path / "volts.csv", "x.csv", "--clamp", "10mV/A").returncode == 0
    frame = pd.read_csv(in_process.folder / "x.csv")
    assert frame["current (A)"].to_numpy() == pytest.approx(plain().samples[:, 0] / 0.01)


def test_where_to_write_is_said_once_with_or_without_the_option(in_process, tmp_path: Path) -> None:
    write_capture(plain(), tmp_path / "in.csv")
    assert in_process("export", tmp_path / "in.csv", "--out", "one.csv").stdout == "Wrote one.csv\n"
    assert in_process("export", tmp_path / "in.csv", "two.csv").stdout == "Wrote two.csv\n"
    assert (in_process.folder / "one.csv").read_bytes() == (in_process.folder / "two.csv").read_bytes()
    for places, said in (((), "--out is missing"), (("a.csv", "--out", "b.csv"), "both say where to write")):
        done = in_process("export", tmp_path / "in.csv", *places)
        assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
        assert said in done.stderr
    assert in_process.left_behind() == ["one.csv", "two.csv"]


def test_an_unknown_ending_is_told_before_any_work(in_process) -> None:
    done = in_process("export", "gone.csv", "x.xls")
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert ".parquet" in done.stderr
