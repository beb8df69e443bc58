"""The base of sound inputs: 16-bit codes pushed by a sound library, and what such an input must not be used for.

A sound input has a high-pass: it blocks whatever stands still and lets a starter's mean current sink to nothing within
a tenth of a second. Current through it looks like humps round zero, of a height that means nothing. A spark or a cam
edge passes. So a channel that blocks steady voltage is refused for the current and taken for anything else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from crankfold.acquire.callback_source import CallbackSource
from crankfold.acquire.contract import SourceInfo
from crankfold.acquire.errors import SettingError
from crankfold.analysis import CURRENT, Channel

if TYPE_CHECKING:
    from collections.abc import Sequence

AC, DC = "ac", "dc"
HALF = 1 << 15
MOST_CHANNELS = 8


class SoundSource(CallbackSource):
    """A sound input; a driver writes `_begin` and `_end`, and calls `take` from its callback.

    Parameters
    ----------
    title, address
        As in `SourceInfo`.
    rate_hz
        Samples a second.
    names
        What each input is, in the order of the inputs; ``current`` once.
    coupling
        ``dc`` or ``ac`` for each of them: whether it passes steady voltage.
    full_scale_v
        Volts at the highest code.

    Raises
    ------
    SettingError
        The current is on an input that blocks steady voltage, or there is none.
    """

    def __init__(self, title: str, address: str, *, rate_hz: float, names: Sequence[str], coupling: Sequence[str],
                 full_scale_v: float) -> None:
        super().__init__()
        if CURRENT not in names or len(set(names)) < len(names) or not 1 <= len(names) <= MOST_CHANNELS:
            raise SettingError(f"the channels {', '.join(names)} cannot be used",
                               "name each input once, one of them current")
        if len(coupling) != len(names) or set(coupling) - {AC, DC}:
            raise SettingError(f"the coupling {', '.join(coupling)} does not fit {len(names)} channels",
                               "say ac or dc for each of them")
        if coupling[list(names).index(CURRENT)] != DC:
            raise SettingError("an ordinary sound input blocks steady current, so what is left of it would be "
                               "analysed wrongly",
                               "use it for the sync signal only, or an input that passes direct current, and "
                               "say so with coupling=dc")
        self._order = sorted(range(len(names)), key=lambda at: (names[at] != CURRENT, at))
        channels = tuple(Channel(names[at], "V", full_scale_v / HALF, code_range=(-HALF, HALF - 1),
                                 code_dtype="int16") for at in self._order)
        self._info = SourceInfo(rate_hz, channels, np.dtype(np.int16), title, address)

    @property
    def info(self) -> SourceInfo:
        """What the input is set to."""
        return self._info

    def take(self, buffer: bytes, *, overflow: bool = False, device_s: float | None = None) -> None:
        """Take a buffer of the library in: 16-bit codes, the inputs side by side.

        Parameters
        ----------
        overflow
            Whether the library lost samples before it; it does not say how many, its clock may.
        device_s
            Time of the first sample by the sound clock, seconds.
        """
        codes = np.frombuffer(buffer, dtype=np.int16).reshape(-1, len(self._order))
        self.push(codes[:, self._order], lost_before=None if overflow else 0, device_s=device_s)
