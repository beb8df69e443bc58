"""Files written by the reference libraries themselves come back number for number."""

from __future__ import annotations

import struct
import wave
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import scipy.io
import soundfile

from crankfold.acquire import AcquireError, FileFormatError, SettingError, Source
from crankfold.acquire.testing import SourceContract
from crankfold.analysis import Notice
from crankfold.plugins.tables.matlab import open_matlab
from crankfold.plugins.tables.mdf import open_mdf
from crankfold.plugins.tables.numpy import open_numpy
from crankfold.plugins.tables.parquet import open_parquet
from crankfold.plugins.tables.wav import open_wav

RATE_HZ = 10_000.0
COUNT = 70_000  # more than one chunk
RNG = np.random.default_rng(3)
TIME_S = np.arange(COUNT) / RATE_HZ
CURRENT = RNG.normal(scale=90.0, size=COUNT)
SYNC = RNG.normal(size=COUNT)
CODES = RNG.integers(-32768, 32768, size=(COUNT, 2), dtype=np.int16)


@dataclass(frozen=True)
class Got:
    values: np.ndarray
    source: Source
    lost: int


def read(opener: Callable[..., Source], path: Path, **settings: str) -> Got:
    with opener(path, {key.replace("_", "-"): value for key, value in settings.items()}) as source:
        source.start()
        scale = np.array([channel.scale for channel in source.info.channels])
        pieces, lost = [np.empty((0, len(scale)))], 0
        while not source.finished:
            block = source.read(0.1)
            if block is not None:
                assert block.lost_before is not None
                lost += block.lost_before
                pieces += [np.full((block.lost_before, len(scale)), np.nan), block.codes * scale]
        return Got(np.concatenate(pieces), source, lost)


def is_all_there(got: Got, *, rate_hz: float = RATE_HZ) -> None:
    np.testing.assert_array_equal(got.values, np.column_stack([CURRENT, SYNC]))
    assert got.source.info.rate_hz == pytest.approx(rate_hz, rel=1e-9)
    assert got.lost == 0
    assert [channel.name for channel in got.source.info.channels] == ["current", "sync"]


def units(got: Got) -> list[str]:
    return [channel.unit for channel in got.source.info.channels]


def test_numpy_table(tmp_path: Path) -> None:
    path = tmp_path / "x.npy"
    np.save(path, np.column_stack([TIME_S, CURRENT, SYNC]))
    is_all_there(read(open_numpy, path))
    np.save(path, np.column_stack([TIME_S, CURRENT, SYNC]).T)
    is_all_there(read(open_numpy, path))
    np.save(path, np.column_stack([CURRENT, SYNC]))
    is_all_there(read(open_numpy, path, rate="10000"))


def test_numpy_records_and_archives(tmp_path: Path) -> None:
    path = tmp_path / "x.npy"
    records = np.empty(COUNT, dtype=[("sync_kV", "f8"), ("current_A", "f8"), ("time_s", "f8")])
    records["time_s"], records["current_A"], records["sync_kV"] = TIME_S, CURRENT, SYNC
    np.save(path, records)
    got = read(open_numpy, path)
    is_all_there(got)
    assert units(got) == ["A", "kV"]
    archive = tmp_path / "x.npz"
    np.savez_compressed(archive, spark=SYNC, current=CURRENT, fs=RATE_HZ, note=np.array("harbour launch"))
    is_all_there(read(open_numpy, archive))
    np.savez(archive, mark=SYNC, clamp=CURRENT, dt=1 / RATE_HZ)
    is_all_there(read(open_numpy, archive, columns="current=*lamp,sync=mar?"))


@pytest.mark.parametrize(("width", "dtype"), [(1, np.uint8), (2, "<i2"), (4, "<i4")])
def test_wav_by_the_standard_library(tmp_path: Path, width: int, dtype: Any) -> None:
    path = tmp_path / "x.wav"
    data = np.frombuffer(RNG.bytes(2 * width * COUNT), dtype=dtype).reshape(-1, 2)
    with wave.open(str(path), "wb") as sound:
        sound.setnchannels(2)
        sound.setsampwidth(width)
        sound.setframerate(10_000)
        sound.writeframes(data.tobytes())
    got = read(open_wav, path, full_scale="5V")
    half = 2 ** (8 * width - 1)
    expected = (data.astype(np.float64) - (128 if width == 1 else 0)) * (5 / half)
    np.testing.assert_allclose(got.values, expected, rtol=1e-15)
    assert units(got) == ["V", "V"]
    assert got.source.info.rate_hz == 10_000
    assert got.source.info.channels[0].code_range == (-half, half - 1)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_wav_by_soundfile(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "x.wav"
    data = np.clip(np.column_stack([CURRENT, SYNC]) / 500, -1, 1)
    soundfile.write(path, data, 10_000, subtype=subtype)
    stored, _ = soundfile.read(path, dtype="float64")
    got = read(open_wav, path)
    np.testing.assert_array_equal(got.values, stored)
    assert units(got) == ["", ""]


def test_wav_by_scipy_and_flac(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    scipy.io.wavfile.write(path, 10_000, CODES)
    np.testing.assert_array_equal(read(open_wav, path).values, CODES / 32768)
    swapped = read(open_wav, path, columns="current=2,sync=1")
    np.testing.assert_array_equal(swapped.values, CODES[:, ::-1] / 32768)
    flac = tmp_path / "x.flac"
    soundfile.write(flac, CODES, 10_000)
    np.testing.assert_array_equal(read(open_wav, flac).values, CODES / 32768)


def test_parquet_by_pandas(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    pd.DataFrame({"Note": "ok", "Time (s)": TIME_S, "Ignition (kV)": SYNC, "Clamp (mV)": CURRENT}).to_parquet(path)
    got = read(open_parquet, path)
    np.testing.assert_array_equal(got.values, np.column_stack([CURRENT * 1e-3, SYNC]))
    assert units(got) == ["V", "kV"]
    stamps = pd.date_range("2024-05-01", periods=COUNT, freq="100us")
    pd.DataFrame({"clamp": CURRENT, "mark": SYNC}, index=pd.Index(stamps, name="when")).to_parquet(path)
    got = read(open_parquet, path)
    np.testing.assert_array_equal(got.values, np.column_stack([CURRENT, SYNC]))
    assert got.source.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-4)


def test_parquet_by_pyarrow_with_units_rate_and_nulls(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    fields = [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in (("clamp", "A"), ("mark", "kV"))]
    schema = pa.schema(fields, metadata={"sample_rate_hz": "10000", "boat": "harbour launch"})
    with_nulls = [None if 100 <= i < 103 else v for i, v in enumerate(CURRENT.tolist())]
    pq.write_table(pa.table([pa.array(with_nulls), pa.array(SYNC)], schema=schema), path, row_group_size=1000)
    got = read(open_parquet, path)
    assert units(got) == ["A", "kV"]
    assert (got.lost, got.source.info.rate_hz) == (3, 10_000)
    assert got.source.info.notes["boat"] == "harbour launch"
    expected = CURRENT.copy()
    expected[100:103] = np.nan
    np.testing.assert_array_equal(got.values[:, 0], expected)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("version", ["4.10", "4.11", "3.30"])
def test_mdf_by_asammdf(tmp_path: Path, version: str) -> None:
    from asammdf import MDF, Signal

    path = tmp_path / ("x.mf4" if version[0] == "4" else "x.mdf")
    slow = TIME_S[::10]
    with MDF(version=version) as file:
        file.header.start_time = datetime(2024, 5, 1, 12, 0, tzinfo=UTC)
        file.append([Signal(SYNC, TIME_S, name="Plug_1", unit="kV"), Signal(CURRENT, TIME_S, name="Clamp", unit="mV")])
        file.append([Signal(12.0 + slow, slow, name="Battery", unit="V")])
        file.save(path, overwrite=True)
    got = read(open_mdf, path)
    np.testing.assert_array_equal(got.values[:, :2], np.column_stack([CURRENT * 1e-3, SYNC]))
    assert units(got) == ["V", "kV", "V"]
    assert got.source.info.channels[2].name == "battery"
    np.testing.assert_allclose(got.values[:, 2], 12.0 + TIME_S, atol=10.5 / RATE_HZ)
    assert got.source.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)
    assert got.source.notices == (Notice("other-times", {"channel": "'Battery'", "fastest": "'Clamp'"}),)
    assert got.source.info.started_utc == datetime(2024, 5, 1, 12, 0, tzinfo=UTC)
    mixed = read(open_mdf, path, columns="current=Clamp,sync=Battery")
    inside = slow[-1] >= TIME_S
    np.testing.assert_allclose(mixed.values[: inside.sum(), 1], 12.0 + TIME_S[inside], rtol=1e-12)
    assert [notice.code for notice in mixed.source.notices] == ["other-times"]


def test_a_damaged_mdf_file_is_one_line_for_people(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    from asammdf import MDF, Signal

    with MDF(version="3.30") as file:
        file.append([Signal(CURRENT[:50], TIME_S[:50], name="Clamp", unit="A")])
        file.save(tmp_path / "x.mdf", overwrite=True)
    data = (tmp_path / "x.mdf").read_bytes()
    (tmp_path / "x.mdf").write_bytes(data.replace(b"DG", b"XX"))
    with pytest.raises(FileFormatError):
        read(open_mdf, tmp_path / "x.mdf")
    assert capfd.readouterr() == ("", "")


def test_matlab_by_scipy(tmp_path: Path) -> None:
    path = tmp_path / "x.mat"
    scipy.io.savemat(path, {"time_s": TIME_S, "current_A": CURRENT, "spark_kV": SYNC, "who": "harbour"})
    got = read(open_matlab, path)
    is_all_there(got)
    assert units(got) == ["A", "kV"]
    run = {"clamp": CURRENT[:, np.newaxis], "sync": SYNC, "fs": RATE_HZ}
    scipy.io.savemat(path, {"run": run}, do_compression=True)
    is_all_there(read(open_matlab, path))
    scipy.io.savemat(path, {"data": np.column_stack([TIME_S, CURRENT, SYNC])}, format="4")
    is_all_there(read(open_matlab, path))


def test_a_matlab_file_that_may_crash_its_library_is_one_sentence(tmp_path: Path) -> None:
    """The number of a type that there is not: scipy looks it up beyond the end of its table, and may find anything."""
    path = tmp_path / "x.mat"
    scipy.io.savemat(path, {"clamp": CURRENT, "fs": RATE_HZ})
    content = bytearray(path.read_bytes())
    at = content.index(b"clamp") + 8
    content[at : at + 4] = struct.pack("<I", 0x12C70)
    path.write_bytes(content)
    with pytest.raises(FileFormatError, match=r"x.mat: this isn't a MATLAB file, .*; check its name") as error:
        open_matlab(path, {})
    assert "\n" not in str(error.value)
    scipy.io.savemat(path, {"clamp": CURRENT, "fs": RATE_HZ, "void": np.zeros((0, 3)), "names": ["a", "bc"], "z": 1j})
    assert len(read(open_matlab, path).values) == len(CURRENT)


def test_matlab_7_3_by_h5py(tmp_path: Path) -> None:
    path = tmp_path / "x.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, values in (("clamp", CURRENT), ("sync", SYNC), ("fs", np.array([RATE_HZ]))):
            file.create_dataset(name, data=values[np.newaxis]).attrs["MATLAB_class"] = np.bytes_("double")
        file.create_dataset("who", data=np.frombuffer("launch".encode("utf-16-le"), np.uint16)).attrs[
            "MATLAB_class"] = np.bytes_("char")
    with path.open("r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file".ljust(124) + struct.pack("<H", 0x200) + b"IM")
    got = read(open_matlab, path)
    is_all_there(got)
    assert got.source.info.notes == {"who": "launch"}


OPENERS = [(open_numpy, "x.npy"), (open_numpy, "x.npz"), (open_wav, "x.wav"), (open_wav, "x.flac"),
           (open_parquet, "x.parquet"), (open_mdf, "x.mf4"), (open_matlab, "x.mat")]


@pytest.mark.parametrize(("opener", "name"), OPENERS)
@pytest.mark.parametrize("content", [b"", b"words", bytes(range(256)) * 20, b"RIFF\x00\x00\x00\x00WAVEfmt ",
                                     b"PAR1" * 9, b"MDF     4.10" + bytes(300), b"\x93NUMPY\x01\x00",
                                     b"MATLAB 5.0" + bytes(200)])
def test_what_is_no_such_file_is_refused_in_one_line(tmp_path: Path, opener: Callable[..., Source], name: str,
                                                     content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(FileFormatError) as caught:
        opener(path, {})
    assert "\n" not in str(caught.value)
    assert caught.value.remedy


@pytest.mark.parametrize(("opener", "name"), OPENERS)
def test_missing_files_and_unknown_settings(tmp_path: Path, opener: Callable[..., Source], name: str) -> None:
    with pytest.raises(FileFormatError, match="no such file"):
        opener(tmp_path / name, {})
    with pytest.raises(SettingError, match="baud"):
        opener(tmp_path / name, {"baud": "9600"})


def test_pickled_arrays_are_never_unpickled(tmp_path: Path) -> None:
    path = tmp_path / "x.npy"
    np.save(path, np.array([{"a": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(FileFormatError):
        open_numpy(path, {})


def test_a_rate_that_nobody_says_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "x.npy"
    np.save(path, CURRENT)
    with pytest.raises(AcquireError, match="rate=5000"):
        open_numpy(path, {})


@pytest.mark.parametrize("text", ["5", "V", "-5V", "5bananas", "0V"])
def test_a_full_scale_that_makes_no_sense(tmp_path: Path, text: str) -> None:
    with pytest.raises(SettingError, match="full-scale"):
        open_wav(tmp_path / "x.wav", {"full-scale": text})


class TestParquetContract(SourceContract):
    stretch_s = 0.1

    @pytest.fixture(autouse=True)
    def _file(self, tmp_path: Path) -> None:
        self.path = tmp_path / "x.parquet"
        pd.DataFrame({"Time (s)": TIME_S[:9000], "Clamp (mV)": CURRENT[:9000]}).to_parquet(self.path)

    def open_source(self) -> Source:
        return open_parquet(self.path, {})
