"""Capture files: what goes in comes out, whole or not at all, and anything else is refused in one sentence."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from datetime import UTC, datetime

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.acquire import FileFormatError, Probe, record, save_capture
from crankfold.acquire.errors import SaveError
from crankfold.acquire.files import codes_of
from crankfold.acquire.files.storage import load_capture
from crankfold.analysis import Capture, Channel, Gap, Notice
from crankfold.plugins.tables.hdf5 import HDF5_MAGIC, crankfold_readers, open_capture

GAPS = (Gap(10, 4), Gap(900, 1))


def coded(seed=0, samples=5000, channels=2, dtype="int16", gaps=GAPS):
    rng = np.random.default_rng(seed)
    limits = np.iinfo(dtype)
    codes = rng.integers(limits.min, limits.max + 1, (samples, channels)).astype(dtype)
    made = tuple(Channel(name, unit, scale, offset, (int(limits.min), int(limits.max)), dtype)
                 for name, unit, scale, offset in [("current", "A", 0.02, -1.5), ("sync", "V", 0.001, 0.0)][:channels])
    values = codes * np.array([c.scale for c in made]) + np.array([c.offset for c in made])
    return Capture(values, 5000.0, made, trigger_index=123, gaps=gaps,
                   started_utc=datetime(2024, 5, 6, 7, 8, 9, 123456, tzinfo=UTC), origin="virtual:pump",
                   notes={"who": "harbour workshop", "odd/name": "a\x00b \ud800 \u20ac"})


def same(one: Capture, other: Capture) -> None:
    np.testing.assert_array_equal(one.samples, other.samples)
    assert (one.rate_hz, one.channels, one.trigger_index, one.gaps, one.started_utc, one.origin) == (
        other.rate_hz, other.channels, other.trigger_index, other.gaps, other.started_utc, other.origin)
    assert dict(one.notes) == dict(other.notes)


def test_a_capture_comes_back_as_it_was(tmp_path) -> None:
    save_capture(coded(), tmp_path / "a.h5")
    same(load_capture(tmp_path / "a.h5"), coded())
    assert [p.name for p in tmp_path.iterdir()] == ["a.h5"]


@settings(max_examples=25, deadline=None)
@given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50), rate=st.floats(0.1, 1e8),
       scale=st.floats(1e-6, 1e3), dtype=st.sampled_from(["float64", "int16", "uint8", "int32"]),
       trigger=st.none() | st.integers(0, 49))
def test_any_values_come_back(tmp_path_factory, values, rate, scale, dtype, trigger) -> None:
    path = tmp_path_factory.mktemp("any") / "x.h5"
    capture = Capture(np.array(values)[:, None], rate, (Channel("current", "V", scale, 0.1, None, dtype),),
                      trigger_index=trigger if trigger is not None and trigger < len(values) else None)
    save_capture(capture, path)
    back = load_capture(path)
    np.testing.assert_allclose(back.samples, capture.samples, rtol=1e-9, atol=1e-9 * scale)
    assert (back.rate_hz, back.trigger_index, back.channels) == (rate, capture.trigger_index, capture.channels)


def test_codes_are_kept_in_their_own_type_with_scale_beside_them(tmp_path) -> None:
    capture = Probe.parse("10mV/A").apply(Capture(coded(gaps=()).samples, 5000.0, (
        Channel("current", "V", 0.02, -1.5, (-32768, 32767), "int16"), coded().channels[1])))
    save_capture(capture, tmp_path / "a.h5")
    with h5py.File(tmp_path / "a.h5") as file:
        data = file["channels/current"]
        assert data.dtype == np.int16
        assert data.attrs["unit"].decode() == "A"
        assert data.attrs["scale"] == pytest.approx(2.0)
        assert file.attrs["rate_hz"] == 5000.0
        np.testing.assert_allclose(data[20:] * data.attrs["scale"] + data.attrs["offset"], capture.samples[20:, 0])
    np.testing.assert_allclose(load_capture(tmp_path / "a.h5").samples, capture.samples, rtol=1e-12)


def test_the_plugin_gives_the_capture_untouched(tmp_path) -> None:
    capture = coded()
    save_capture(capture, tmp_path / "a.h5")
    (capture_back,) = record(open_capture(tmp_path / "a.h5", {}))
    same(capture_back, capture)
    (declared,) = crankfold_readers()
    assert declared.recognises((tmp_path / "a.h5").read_bytes()[:4096])
    assert not declared.recognises(b"time,current")
    assert HDF5_MAGIC[1:4] == b"HDF"


@pytest.mark.parametrize("gaps", [(Gap(0, 5),), (Gap(4990, 10),), (Gap(0, 5), Gap(4990, 10)), (Gap(0, 5000),)])
def test_gaps_at_the_ends_survive_the_plugin(tmp_path, gaps) -> None:
    capture = coded(gaps=gaps)
    save_capture(capture, tmp_path / "a.h5")
    (back,) = record(open_capture(tmp_path / "a.h5", {}))
    assert np.isnan(back.samples[:, 0]).sum() == np.isnan(capture.samples[:, 0]).sum()
    assert len(back.samples) == len(capture.samples)


def test_numbers_that_are_missing_without_being_listed_are_kept_as_a_gap(tmp_path) -> None:
    samples = coded(gaps=()).samples.copy()
    samples[50:53, 0] = np.nan
    save_capture(Capture(samples, 5000.0, coded().channels), tmp_path / "a.h5")
    assert load_capture(tmp_path / "a.h5").gaps == (Gap(50, 3),)


def test_saving_again_replaces_and_a_failure_leaves_the_old_one(tmp_path, monkeypatch) -> None:
    path = tmp_path / "a.h5"
    save_capture(coded(1), path)

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(SaveError, match=r"could not be written \(No space left on device\); check"):
        save_capture(coded(2), path)
    monkeypatch.undo()
    same(load_capture(path), coded(1))
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_cannot_be_written(tmp_path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(SaveError, match="could not be written"):
        save_capture(coded(), tmp_path / "file" / "a.h5")


@pytest.mark.parametrize(("codes", "kind"), [
    ([-32768, 32767], np.int16), ([-32769, 0], np.float64), ([0, 32768], np.float64), ([0, 0.5], np.float64),
    ([0, 1.0000001], np.int16), ([], np.float64)])
def test_codes_that_fit_their_type_are_kept_in_it(codes, kind) -> None:
    channel = Channel("current", "V", 0.5, 2.0, None, "int16")
    found = codes_of(np.array(codes) * 0.5 + 2.0, channel)
    assert found.dtype == kind
    np.testing.assert_allclose(found, codes, atol=1e-6)


def test_the_last_sample_and_the_whole_length_are_inside(tmp_path) -> None:
    whole = replace(coded(gaps=(Gap(0, 1), Gap(4999, 1))), trigger_index=4999)
    save_capture(whole, tmp_path / "a.h5")
    same(load_capture(tmp_path / "a.h5"), whole)
    with h5py.File(tmp_path / "a.h5") as file:
        assert (file["gaps"].shape, file["gaps"].dtype) == ((2, 2), np.int64)
    save_capture(Capture(coded(gaps=()).samples, 5000.0, coded().channels), tmp_path / "b.h5")
    with h5py.File(tmp_path / "b.h5") as file:
        assert file["gaps"].shape == (0, 2)
        assert not {"trigger_index", "started_utc"} & set(file.attrs)


def spoil(path, change) -> None:
    with h5py.File(path, "r+") as file:
        change(file)


def _negative_rate(file):
    file.attrs["rate_hz"] = -5.0


def _no_rate(file):
    del file.attrs["rate_hz"]


def _other_format(file):
    file.attrs["format"] = "another/9"


def _lengths(file):
    del file["channels/sync"]
    file["channels/sync"] = np.zeros(3)
    file["channels/sync"].attrs.update({"name": "sync", "column": 1, "unit": "V", "scale": 1.0, "offset": 0.0,
                                        "code_dtype": "float64"})


def _link_out(file):
    del file["channels/sync"]
    file["channels/sync"] = h5py.ExternalLink("elsewhere.h5", "/x")


def _gap_outside(file):
    del file["gaps"]
    file["gaps"] = np.array([[4999, 5]])


def _trigger_outside(file):
    file.attrs["trigger_index"] = 5000


def _zero_scale(file):
    file["channels/current"].attrs["scale"] = 0.0


def _huge(file):
    attributes = dict(file["channels/current"].attrs)
    del file["channels/current"]
    file["channels"].create_dataset("current", shape=(2**40,), dtype="i2", chunks=(65536,), compression="gzip")
    file["channels/current"].attrs.update(attributes)


def _notes_of_numbers(file):
    del file["notes"]
    file["notes"] = "[1, 2"


def _text_codes(file):
    attributes = dict(file["channels/current"].attrs)
    del file["channels/current"]
    file["channels/current"] = "text"
    file["channels/current"].attrs.update(attributes)


def _no_channels(file):
    del file["channels"]
    file.create_group("channels")


def fixed(text):
    return np.array(text.encode(), dtype=h5py.string_dtype("utf-8", len(text)))


def _other_format_of_the_right_type(file):
    file.attrs["format"] = fixed("another/9")


def _notes_that_are_a_list(file):
    del file["notes"]
    file["notes"] = fixed('["a"]')


def _notes_that_are_numbers(file):
    del file["notes"]
    file["notes"] = fixed('{"a": 1}')


def _gaps_of_fractions(file):
    del file["gaps"]
    file["gaps"] = np.array([[10.0, 4.0]])


def _no_numbers(file):
    attributes = dict(file["channels/current"].attrs)
    del file["channels/current"]
    file["channels/current"] = np.full(5000, np.nan)
    file["channels/current"].attrs.update(attributes)


def _tables_for_rows(file):
    for name in ("channels/current", "channels/sync"):
        attributes = dict(file[name].attrs)
        del file[name]
        file[name] = np.zeros((5000, 2), np.int16)
        file[name].attrs.update(attributes)


def _next_format(file):
    file.attrs["format"] = fixed("crankfold.capture/2")


def with_attribute(name, value):
    def change(file):
        file.attrs[name] = value

    return change


def with_gaps(*rows):
    def change(file):
        del file["gaps"]
        file["gaps"] = np.array(rows)

    return change


@pytest.mark.parametrize(("change", "said"), [
    (_other_format_of_the_right_type, "its format is 'another/9', not 'crankfold.capture/1'"),
    (_notes_that_are_a_list, "its notes are not texts"), (_notes_that_are_numbers, "its notes are not texts"),
    (_gaps_of_fractions, "gaps is of another type than it should be"),
    (_no_numbers, "values that are no numbers"), (_tables_for_rows, "not a row of numbers"),
    (_gap_outside, "its gaps lie outside its samples"), (_trigger_outside, "its trigger index lies outside"),
    (_negative_rate, "its rate is -5 Hz"), (_no_channels, "it has no channels"),
    (_next_format, "a newer crankfold, as crankfold.capture/2; this one reads crankfold.capture/1; update crankfold"),
    (_no_rate, "its rate_hz is missing or not a number"), (with_attribute("rate_hz", fixed("5000")), "not a number"),
    (with_attribute("rate_hz", np.inf), "its rate is inf Hz"), (with_attribute("rate_hz", 0.0), "its rate is 0 Hz"),
    (with_attribute("trigger_index", -1), "its trigger index lies outside"),
    (with_gaps((-1, 3)), "its gaps lie outside"), (with_gaps((10, 0)), "its gaps lie outside"),
    (with_gaps((10, 4), (20, -1)), "its gaps lie outside"), (_lengths, "its channels differ in length"),
    (_link_out, "is missing or a link"),
])
def test_what_is_wrong_with_a_capture_file_is_said(tmp_path, change, said) -> None:
    path = tmp_path / "a.h5"
    save_capture(coded(), path)
    spoil(path, change)
    with pytest.raises(FileFormatError) as error:
        load_capture(path)
    assert said in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("change", [_negative_rate, _no_rate, _other_format, _lengths, _link_out, _gap_outside,
                                    _trigger_outside, _zero_scale, _huge, _notes_of_numbers, _text_codes, _no_channels])
def test_a_damaged_file_is_refused_in_one_sentence(tmp_path, change) -> None:
    path = tmp_path / "a.h5"
    save_capture(coded(), path)
    spoil(path, change)
    with pytest.raises(FileFormatError, match="isn't a capture file, or it is damaged") as error:
        load_capture(path)
    assert "\n" not in str(error.value)


@settings(max_examples=80, deadline=None)
@given(cut=st.integers(0, 20_000), at=st.integers(0, 20_000), byte=st.integers(0, 255))
def test_a_cut_or_changed_file_gives_a_capture_or_one_sentence(tmp_path_factory, cut, at, byte) -> None:
    folder = tmp_path_factory.mktemp("cut")
    save_capture(coded(samples=300, gaps=GAPS[:1]), folder / "a.h5")
    content = bytearray((folder / "a.h5").read_bytes())
    content[at % len(content)] = byte
    (folder / "a.h5").write_bytes(content[: len(content) - cut if cut % 2 else None])
    try:
        assert isinstance(load_capture(folder / "a.h5"), Capture)
    except FileFormatError as error:
        assert "\n" not in str(error)


def test_a_missing_file(tmp_path) -> None:
    with pytest.raises(FileFormatError, match="there is no such file"):
        load_capture(tmp_path / "none.h5")


def test_the_library_checks_what_it_reads_of_a_file(tmp_path) -> None:
    """Layouts before this one carry no checksums, and one wrong byte could keep the HDF5 library busy for ever."""
    save_capture(coded(), tmp_path / "a.h5")
    content = (tmp_path / "a.h5").read_bytes()
    assert content[8] >= 2  # version of the superblock, HDF5 file format specification, section II
    assert content.count(b"OHDR") >= 5  # object headers of the second version, which end in a checksum


def test_notices_travel_as_codes_and_numbers(tmp_path) -> None:
    said = (Notice("uneven-time", {"rate_hz": 1999.5, "lines": (3, 4)}), Notice("source", {"text": "a line was cut"}))
    capture = replace(Capture.from_arrays(np.arange(5.0), rate_hz=1000.0), notices=said)
    save_capture(capture, tmp_path / "a.h5")
    assert load_capture(tmp_path / "a.h5").notices == said


def test_sentences_of_an_older_file_are_notices_now(tmp_path) -> None:
    capture = replace(Capture.from_arrays(np.arange(5.0), rate_hz=1000.0), notes={"warnings": "one\ntwo", "a": "b"})
    save_capture(capture, tmp_path / "a.h5")
    found = load_capture(tmp_path / "a.h5")
    assert found.notices == (Notice("source", {"text": "one"}), Notice("source", {"text": "two"}))
    assert found.notes == {"a": "b"}
