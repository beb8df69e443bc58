"""A capture as sound: a low tone that swells with every hump, so that a missing one is a hole in the rhythm."""

from __future__ import annotations

import io
import wave
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from crankfold.analysis import CrankingTrace

RATE_HZ = 22_050
LOW_HZ, SWELL_HZ = 82.0, 82.0  # the tone between humps, and how far a full hump raises it: an octave
SHARPNESS = 1.6  # above 1 the quiet between humps gets quieter
OVERTONE = 0.35  # so that small loudspeakers, which cannot do 80 Hz, still give the rhythm
LOUDEST = 0.8  # of full scale
FADE_S = 0.02
PAUSE_S = 1.0  # between two recordings
HIGHEST_LEVEL = 1.25  # the in-rush is no louder than that


def loudness(trace: CrankingTrace) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times and levels through the cranking, both shape (m,): 0 in the troughs, about 1 on a hump's crest."""
    inside = (trace.time_s >= trace.crank.start_s) & (trace.time_s <= trace.crank.end_s) & np.isfinite(trace.smooth)
    time_s, current = trace.time_s[inside], trace.smooth[inside]
    steady = trace.smooth[trace.steady]
    steady = steady[np.isfinite(steady)]
    low, high = np.percentile(steady if len(steady) else current, (5.0, 95.0))
    level = np.clip((current - low) / max(high - low, 1e-12), 0.0, HIGHEST_LEVEL)
    return time_s - trace.crank.start_s, level


def sound_of(trace: CrankingTrace, *, speed: float = 1.0) -> NDArray[np.float64]:
    """Return the sound of a cranking at `RATE_HZ`, shape (samples,), within -1 and 1."""
    time_s, level = loudness(trace)
    length_s = trace.crank.length_s / speed
    at_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    swell = np.interp(at_s * speed, time_s, level)
    phase = 2.0 * np.pi * np.cumsum(LOW_HZ + SWELL_HZ * swell) / RATE_HZ
    tone = np.sin(phase) + OVERTONE * np.sin(2.0 * phase) + OVERTONE**2 * np.sin(4.0 * phase)
    fade = np.clip(np.minimum(at_s, length_s - at_s) / FADE_S, 0.0, 1.0)
    out = tone * (swell / HIGHEST_LEVEL) ** SHARPNESS * fade
    return LOUDEST * out / max(float(np.abs(out).max(initial=0.0)), 1e-12)


def wav_of(sounds: Sequence[NDArray[np.float64]]) -> bytes:
    """Return sounds one after the other, a pause between, as the bytes of a WAV file: mono, 16 bits."""
    pause = np.zeros(round(PAUSE_S * RATE_HZ))
    parts = [part for sound in sounds for part in (sound, pause)][:-1]
    return wav_bytes(np.concatenate(parts), RATE_HZ)


def wav_bytes(values: NDArray[np.float64], rate_hz: int) -> bytes:
    """Return values of -1 to 1 as the bytes of a WAV file: mono, 16 bits."""
    codes = np.rint(values * 32767.0).astype("<i2")
    held = io.BytesIO()
    with wave.open(held, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(codes.tobytes())
    return held.getvalue()
