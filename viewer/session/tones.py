"""Which tone tells which state: a few notes each, so that the person in the driver's seat need not see the screen."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from crankfold.viewer.session.standing import VERDICTS, Phase, Standing
from crankfold.viewer.sound import wav_bytes

RATE_HZ = 22_050
LOUDNESS = 0.6  # of full scale
FADE_S = 0.012  # so that notes do not click

NOTES: dict[Phase, tuple[tuple[float, float], ...]] = {
    Phase.ARMED: ((660.0, 0.12), (880.0, 0.18)),
    Phase.CRANKING: ((880.0, 0.08),),
    Phase.ENOUGH: ((880.0, 0.10), (1320.0, 0.30)),
    Phase.REST: ((440.0, 0.25),) * 4,
    Phase.EVEN: ((660.0, 0.15), (830.0, 0.15), (990.0, 0.35)),
    Phase.NAMED: ((660.0, 0.25), (440.0, 0.25), (440.0, 0.45)),
    Phase.UNNAMED: ((660.0, 0.25), (440.0, 0.25), (440.0, 0.45)),
    Phase.REFUSED: ((550.0, 0.20), (520.0, 0.20), (550.0, 0.20), (520.0, 0.20)),
    Phase.LOST: ((330.0, 0.6), (247.0, 0.8)),
    Phase.NO_BOARD: ((330.0, 0.6),),
}
"""Frequency in hertz and length in seconds of each note: rising for go on, falling for something is wrong."""


class Sink(Protocol):
    """Something that sounds a tone."""

    def sound(self, phase: Phase) -> None:
        """Sound the tone of a phase."""


def told_by_tone(before: Standing, now: Standing) -> Phase | None:
    """Return the phase to be sounded on a change, None where it stays quiet; armed again is heard beside an answer."""
    if now.phase is not before.phase:
        return now.phase if now.phase in NOTES else None
    again = now.stage is Phase.ARMED and before.stage is not Phase.ARMED and now.phase in VERDICTS
    return Phase.ARMED if again else None


def tone_wav(phase: Phase) -> bytes:
    """Return the tone of a phase as the bytes of a WAV file: mono, 16 bits."""
    return wav_bytes(np.concatenate([_note(*note) for note in NOTES[phase]]), RATE_HZ)


def _note(hertz: float, length_s: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    at_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    fade = np.clip(np.minimum(at_s, length_s - at_s) / FADE_S, 0.0, 1.0)
    return LOUDNESS * fade * np.sin(2.0 * np.pi * hertz * at_s)
