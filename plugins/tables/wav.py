"""Sound files as recordings: many a recorder with a DC input writes them. WAV by the standard library or scipy."""

from __future__ import annotations

import re
import warnings
import wave
from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire import CONTRACT, ReaderDeclaration, Setting, SettingError, hookimpl
from crankfold.analysis import quoted
from crankfold.plugins.tables.headings import find_unit
from crankfold.plugins.tables.source import CHUNK_ROWS, COLUMNS, Column, Table, in_chunks, open_table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from crankfold.acquire import Source

crankfold_contract = CONTRACT

SETTINGS = (COLUMNS, Setting("full-scale", "what the largest sample stands for, with its unit", "5V"))
LOSSLESS = (".flac",)


def open_wav(path: Path, settings: Mapping[str, str]) -> Source:
    """Return the sound file as a source; without the setting full-scale its samples have no unit."""
    full, unit = _full_scale(settings.get("full-scale", ""))
    return open_table(path, settings, SETTINGS, "sound", lambda p: _load(p, full, unit))


def _full_scale(text: str) -> tuple[float, str]:
    if not text:
        return 1.0, ""
    match = re.fullmatch(r"\s*(\d+(?:\.\d*)?)\s*([a-zA-Zµ]+)\s*", text)
    value, unit = (float(match[1]), match[2]) if match else (0.0, "")
    if value <= 0 or find_unit(unit) is None:
        raise SettingError(f"full-scale={quoted(text)} cannot be understood",
                           "give a number with its unit, as in 5V or 500A")
    return value, unit


def _load(path: Path, full: float, unit: str) -> Table:
    if path.suffix.lower() in LOSSLESS:
        return _by_soundfile(path, full, unit)
    with path.open("rb") as file:
        try:
            with wave.open(file, "rb") as sound:
                return _pcm(path, sound.getparams(), full, unit)
        except wave.Error as error:
            if "unknown format" not in str(error):
                raise
    return _by_scipy(path, full, unit)


def _pcm(path: Path, sound_is: wave._wave_params, full: float, unit: str) -> Table:
    channels, rate, width = sound_is.nchannels, sound_is.framerate, sound_is.sampwidth
    half = 1 << (8 * width - 1)
    columns = tuple(Column(f"channel {i + 1}", unit, scale=full / half, code_range=(-half, half - 1))
                    for i in range(channels))

    def rows(used: Sequence[int]) -> Iterator[NDArray[np.float64]]:
        with path.open("rb") as file, wave.open(file, "rb") as sound:
            while data := sound.readframes(CHUNK_ROWS):
                whole = len(data) // (width * channels) * width * channels
                yield _decoded(data[:whole], width).reshape(-1, channels)[:, list(used)]

    return Table(columns, rows, rate_hz=float(rate))


def _decoded(data: bytes, width: int) -> NDArray[np.float64]:
    """Return little-endian integers of 1 to 4 bytes; those of one byte are unsigned by the format."""
    if width == 1:
        return np.frombuffer(data, np.uint8).astype(np.float64) - 128.0
    raw = np.frombuffer(data, np.uint8).reshape(-1, width)
    wide = np.zeros((len(raw), 4), np.uint8)
    wide[:, 4 - width :] = raw
    return (wide.view("<i4")[:, 0] >> (32 - 8 * width)).astype(np.float64)


def _by_scipy(path: Path, full: float, unit: str) -> Table:
    from scipy.io import wavfile

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks of notes, which are none of our business
        rate, data = wavfile.read(path)
    table = data.reshape(len(data), -1)
    scale, limits = full, None
    if np.issubdtype(data.dtype, np.integer):
        half = 1 << (8 * data.dtype.itemsize - 1)
        scale, limits = full / half, (-half, half - 1)
    columns = tuple(Column(f"channel {i + 1}", unit, scale=scale, code_range=limits) for i in range(table.shape[1]))
    return Table(columns, lambda used: in_chunks([table[:, i] for i in used]), rate_hz=float(rate))


def _by_soundfile(path: Path, full: float, unit: str) -> Table:
    import soundfile

    with soundfile.SoundFile(path) as sound:
        count, rate = sound.channels, sound.samplerate
    columns = tuple(Column(f"channel {i + 1}", unit, scale=full) for i in range(count))

    def rows(used: Sequence[int]) -> Iterator[NDArray[np.float64]]:
        with soundfile.SoundFile(path) as sound:
            for block in sound.blocks(CHUNK_ROWS, dtype="float64", always_2d=True):
                yield block[:, list(used)]

    return Table(columns, rows, rate_hz=float(rate))


@hookimpl
def crankfold_readers() -> Sequence[ReaderDeclaration]:
    """Return the one kind of file: sound."""
    return (ReaderDeclaration("wav", "sound files: WAV, FLAC", (".flac", ".wav"), open_wav,
                              lambda head: head[:4] == b"fLaC" or (head[:4] == b"RIFF" and head[8:12] == b"WAVE"),
                              SETTINGS),)
