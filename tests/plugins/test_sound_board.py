"""The sound board on a stand-in for the sound library: what it refuses, what it gives, what it says of losses."""

from __future__ import annotations

import sys
import threading
import time
from types import ModuleType, SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from crankfold.acquire import AcquireError, BoardNotFoundError, SettingError, load_plugins, open_board
from crankfold.acquire.testing import BROKEN, run_contract, run_plugin_contract
from crankfold.plugins.sound import board as sound

if TYPE_CHECKING:
    from collections.abc import Callable

RATE_HZ = 8000
DEVICES = [{"name": "bench input", "index": 0, "max_input_channels": 2, "default_samplerate": float(RATE_HZ)},
           {"name": "loudspeaker", "index": 1, "max_input_channels": 0, "default_samplerate": 48000.0}]


class PortAudioError(Exception):
    """As the library has it."""


class Stream:
    """Calls back every 20 ms from a thread of its own with two 16-bit inputs, and the time of its own clock."""

    busy = False

    def __init__(self, *, samplerate: float, device: int, channels: int, dtype: str, latency: str,
                 callback: Callable[..., None]) -> None:
        assert (device, dtype) == (0, "int16")
        if Stream.busy:
            raise PortAudioError("Device unavailable")
        self.rate, self.channels, self.callback = samplerate, channels, callback
        self.stopping, self.overflow, self.thread = threading.Event(), 0, None
        Stream.latest = self

    latest: Any = None

    def start(self) -> None:
        self.stopping.clear()
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def stop(self) -> None:
        self.stopping.set()
        if self.thread is not None:
            self.thread.join()

    def close(self) -> None:
        self.stop()

    def _run(self) -> None:
        began, given, lost = time.monotonic(), 0, 0
        while not self.stopping.wait(0.02):
            given, lost, self.overflow = given + self.overflow, lost + self.overflow, 0
            due = int((time.monotonic() - began) * self.rate)
            if due > given:
                left = np.arange(given, due) % 1000
                codes = np.column_stack([left, -left][: self.channels]).astype(np.int16)
                self.callback(memoryview(codes.tobytes()), len(codes),
                              SimpleNamespace(inputBufferAdcTime=100.0 + given / self.rate),
                              SimpleNamespace(input_overflow=bool(lost)))
                given, lost = due, 0


@pytest.fixture(autouse=True)
def library(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    def query_devices(device: str | None = None, kind: str | None = None) -> Any:
        if kind is None:
            return DEVICES
        fitting = [d for d in DEVICES if d["max_input_channels"] and (device or "").lower() in str(d["name"])]
        if not fitting:
            raise ValueError(f"No input device matching {device!r}")
        return fitting[0]

    module = ModuleType("sounddevice")
    module.__dict__.update(query_devices=query_devices, RawInputStream=Stream, PortAudioError=PortAudioError)
    monkeypatch.setitem(sys.modules, "sounddevice", module)
    monkeypatch.setattr(Stream, "busy", False)
    monkeypatch.setattr(sound, "_installed", lambda: True)
    return module


DIRECT = {"coupling": "dc,ac"}


def test_every_rule_is_kept() -> None:
    outcomes = [*run_contract(lambda: sound.SoundBoard("bench", DIRECT), stretch_s=0.3, pause_s=0.7),
                *run_plugin_contract(sound)]
    assert [(o.rule, o.detail) for o in outcomes if o.state == BROKEN] == []


def test_current_and_sync_as_they_came() -> None:
    with sound.SoundBoard("", DIRECT | {"full-scale": "2"}) as source:
        info = source.info
        assert (info.rate_hz, info.title, info.address) == (RATE_HZ, "bench input", "bench input")
        assert [(c.name, c.unit, c.scale) for c in info.channels] == [
            ("current", "V", 2 / 32768), ("sync", "V", 2 / 32768)]
        source.start()
        block = source.read(2.0)
        np.testing.assert_array_equal(block.codes[:, 0], np.arange(len(block.codes)) % 1000)
        np.testing.assert_array_equal(block.codes[:, 1], -block.codes[:, 0])


def test_inputs_in_another_order() -> None:
    with sound.SoundBoard("", {"channels": "sync,current", "coupling": "ac,dc"}) as source:
        assert [c.name for c in source.info.channels] == ["current", "sync"]
        source.start()
        assert source.read(2.0).codes[1, 0] < 0


@pytest.mark.parametrize("settings", [{}, {"coupling": "ac,ac"}, {"coupling": "ac,dc"},
                                      {"channels": "current", "coupling": "ac"}])
def test_current_through_an_ordinary_input_is_refused(settings: dict[str, str]) -> None:
    with pytest.raises(SettingError, match="blocks steady current"):
        sound.SoundBoard("", settings)


@pytest.mark.parametrize(("settings", "said"), [
    ({"channels": "sync", "coupling": "ac"}, "one of them current"), ({"coupling": "dc"}, "does not fit 2 channels"),
    ({"coupling": "dc,maybe"}, "say ac or dc"), ({"channels": "current,current"}, "name each input once")])
def test_settings_that_cannot_be(settings: dict[str, str], said: str) -> None:
    with pytest.raises(SettingError, match=said):
        sound.SoundBoard("", settings)


def test_typed_settings_are_refused_before_it_is_opened() -> None:
    with pytest.raises(SettingError, match="rate=fast cannot be used; give a number from 4000 to 768000"):
        open_board("sound", {"rate": "fast", **DIRECT}, load_plugins())


def test_what_the_library_lost_is_counted_by_the_sound_clock() -> None:
    with sound.SoundBoard("", DIRECT) as source:
        source.start()
        began = time.monotonic()
        while time.monotonic() < began + 1.4:
            source.read(0.1)
        Stream.latest.overflow = 321
        lost: list[int | None] = []
        while not lost or lost[-1] == 0:
            lost.append(source.read(1.0).lost_before)
    assert lost[-1] == 321


def test_no_such_input_no_library_and_a_busy_one(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BoardNotFoundError, match="no sound input 'cellar'; there are 'bench input'"):
        sound.SoundBoard("cellar", DIRECT)
    monkeypatch.setattr(Stream, "busy", True)
    with pytest.raises(AcquireError, match=r"cannot be opened \(Device unavailable\); close other programs"):
        sound.SoundBoard("", DIRECT)
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(BoardNotFoundError, match=r"install crankfold\[sound\]"):
        sound.SoundBoard("", DIRECT)
    assert sound.discover_boards(1.0) == ()


def test_inputs_are_found_with_what_they_can_do() -> None:
    (found,) = sound.discover_boards(1.0)
    can = found.can
    assert (found.address, can.inputs, can.highest_rate_hz, can.bits) == ("bench input", 2, RATE_HZ, 16)
