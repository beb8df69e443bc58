"""HDF5 files are read in a process of their own: hostile ones hang or crash only that, sound ones come back whole."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from crankfold.acquire import FileFormatError, Hdf5File, save_capture
from crankfold.acquire.files.isolated import ApartError, end_reading
from crankfold.acquire.files.storage import load_capture
from crankfold.analysis import Capture

ROW = np.arange(40.0)
MATLAB_HEAD = b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM"


def good_capture(path: Path) -> Path:
    save_capture(Capture.from_arrays(np.sin(ROW), rate_hz=1000.0), path)
    return path


def broken_heap(path: Path) -> Path:
    """A byte of the heap of texts makes the library search it for ever."""
    with h5py.File(path, "w", userblock_size=512) as file:
        file["clamp"], file["words"] = ROW, "a text"
        file["clamp"].attrs["unit"] = "another text"
    content = bytearray(path.read_bytes())
    content[: len(MATLAB_HEAD)] = MATLAB_HEAD
    content[content.index(b"GCOL") + 24] = 255
    path.write_bytes(content)
    return path


HANGS = "import h5py, sys; h5py.File(sys.argv[1])['words'][()]"


def test_texts_of_variable_length_are_left_alone(tmp_path) -> None:
    path = broken_heap(tmp_path / "x.mat")
    with pytest.raises(subprocess.TimeoutExpired):  # or the file proves nothing
        subprocess.run([sys.executable, "-c", HANGS, str(path)], timeout=3.0, check=False, capture_output=True)
    file = Hdf5File(path)
    np.testing.assert_array_equal(file.values("clamp"), ROW)
    assert file.members["clamp"].attributes == {}
    with pytest.raises(ApartError, match="words is not numbers or text stored in this file"):
        file.values("words")


def test_no_file_holds_more_than_a_recording(tmp_path) -> None:
    with h5py.File(tmp_path / "x.h5", "w") as file:
        for name in "abc":
            file.create_dataset(name, shape=(2**27 - 1,), dtype="i1")  # room for two, and never written
    file = Hdf5File(tmp_path / "x.h5")
    file.values("a")
    file._room -= 2**30
    with pytest.raises(ApartError, match="claims more than a recording holds"):
        file.values("b")


def test_names_of_any_kind(tmp_path) -> None:
    for name in ("a b.h5", "größe.h5", "\udcff.h5", "x\ny.h5"):
        assert len(load_capture(good_capture(tmp_path / name)).samples) == 40
    (tmp_path / "folder.h5").mkdir()
    with pytest.raises(FileFormatError, match="or it is damaged"):
        load_capture(tmp_path / "folder.h5")


def test_a_relative_path_after_a_change_of_folder(tmp_path, monkeypatch) -> None:
    good_capture(tmp_path / "a.h5")
    load_capture(tmp_path / "a.h5")
    monkeypatch.chdir(tmp_path)
    assert len(load_capture(Path("a.h5")).samples) == 40


WAYS: dict[str, Callable[[Any], Any]] = {
    "plain": lambda f: f.create_dataset("x", data=ROW),
    "gzip": lambda f: f.create_dataset("x", data=ROW, chunks=(7,), compression="gzip", shuffle=True),
    "lzf": lambda f: f.create_dataset("x", data=ROW, chunks=(7,), compression="lzf", fletcher32=True),
    "growing": lambda f: f.create_dataset("x", data=ROW, maxshape=(None,), chunks=(16,)),
    "big endian": lambda f: f.create_dataset("x", data=ROW.astype(">f8")),
    "half": lambda f: f.create_dataset("x", data=ROW.astype("f2")),
    "bytes": lambda f: f.create_dataset("x", data=ROW.astype("u1")),
    "long": lambda f: f.create_dataset("x", data=ROW.astype("i8")),
    "in a structure": lambda f: f.create_dataset("run/more/x", data=ROW),
}


@pytest.mark.parametrize("libver", ["earliest", "v110", "latest"])
@pytest.mark.parametrize("way", WAYS)
def test_sound_data_sets_come_back_as_they_are(tmp_path, way: str, libver: str) -> None:
    with h5py.File(tmp_path / "x.h5", "w", libver=libver) as file:
        kind = WAYS[way](file).dtype
    read = Hdf5File(tmp_path / "x.h5")
    (name,) = (name for name, member in read.members.items() if member.holds is None)
    assert read.members[name].kind == kind
    np.testing.assert_array_equal(read.values(name), ROW)


def test_shapes_attributes_and_what_is_left_out(tmp_path) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as other:
        other["secret"] = ROW
    with h5py.File(tmp_path / "x.h5", "w") as file:
        file["table"], file["one"], file["none"] = ROW.reshape(5, 8), 3, np.zeros((0, 4))
        file["text"], file["words"] = np.bytes_(b"ab\0c"), np.array([b"a", b"bcd"])
        file["complex"], file["empty"] = ROW + 1j, h5py.Empty("f8")
        file["#refs#/a"] = ROW
        file["one"].attrs.update({"n": 2**63, "r": 0.1, "row": [1, 2], "t": np.bytes_("µ".encode()), "v": "free",
                                  "i": np.inf})
        file["soft"], file["out"] = h5py.SoftLink("/table"), h5py.ExternalLink("other.h5", "/secret")
        layout = h5py.VirtualLayout((40,), "f8")
        layout[:] = h5py.VirtualSource("other.h5", "secret", (40,))
        file.create_virtual_dataset("virtual", layout)
        file.create_dataset("outside", (5,), "f8", external=[(str(tmp_path / "other.h5"), 0, 40)])
    read = Hdf5File(tmp_path / "x.h5")
    assert read.values("table").shape == (5, 8) and read.values("none").shape == (0, 4)
    assert read.values("one") == 3 and read.values("one").shape == ()
    assert read.values("text") == b"ab\0c" and read.values("words").tolist() == [b"a", b"bcd"]
    assert read.members["one"].attributes == {"n": 2**63, "r": 0.1, "row": [1, 2], "t": "Âµ", "i": np.inf}
    assert not {"#refs#/a", "soft", "out"} & set(read.members)
    assert set(read.members[""].holds or ()) >= {"soft", "out"}
    for name in ("complex", "empty", "virtual", "outside"):
        with pytest.raises(ApartError, match=f"{name} is not numbers"):
            read.values(name)


def test_more_members_than_any_recording_has(tmp_path) -> None:
    with h5py.File(tmp_path / "x.h5", "w", libver="latest") as file:
        for number in range(10_001):
            file.create_group(str(number))
    with pytest.raises(ApartError, match="more than 10000 members"):
        Hdf5File(tmp_path / "x.h5")
    end_reading()
