"""The sound input as a board: for sync signals, and for current where the input passes direct current."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crankfold.acquire import (
    CONTRACT,
    AcquireError,
    BoardDeclaration,
    BoardDisconnectedError,
    BoardFound,
    BoardNotFoundError,
    Capabilities,
    Setting,
    SoundSource,
    hookimpl,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

crankfold_contract = CONTRACT

NAME = "sound"
RATE = Setting("rate", "samples a second; what the input does by itself unless given", "48000", kind="number",
               lowest=4000, highest=768_000)
CHANNELS = Setting("channels", "what each input is, in order: current once, sync, or a name of your own",
                   "current,sync", "current,sync")
COUPLING = Setting("coupling", "for each channel, dc where it passes steady voltage (most inputs do not), else ac",
                   "dc,ac", "ac,ac")
FULL_SCALE = Setting("full-scale", "volts at the highest code of the input", "1.0", "1.0", kind="number", lowest=0.001,
                     highest=100)
SETTINGS = (RATE, CHANNELS, COUPLING, FULL_SCALE)
BITS = 16

LIBRARY_FOLDERS = ("/usr/lib", "/usr/lib64", "/usr/local/lib")
PORTAUDIO = ("libportaudio.so*", "*-linux-gnu*/libportaudio.so*")


def _library() -> Any:
    try:
        import sounddevice
    except (ImportError, OSError) as error:  # OSError: PortAudio itself is missing
        raise BoardNotFoundError("no sound library is installed", "install crankfold[sound], and PortAudio with the "
                                 "system's packages (libportaudio2)") from error
    return sounddevice


def _installed() -> bool:
    """Return whether the library is there, without loading it: the search for a missing one asks even a compiler."""
    if importlib.util.find_spec("sounddevice") is None:
        return False
    carried = importlib.util.find_spec("_sounddevice_data") is not None and not sys.platform.startswith("linux")
    return carried or any(True for folder in LIBRARY_FOLDERS for name in PORTAUDIO for _ in Path(folder).glob(name))


class SoundBoard(SoundSource):
    """A sound input of this computer."""

    def __init__(self, address: str, settings: Mapping[str, str]) -> None:
        library = _library()
        names = [" ".join(name.lower().split()) for name in settings.get("channels", CHANNELS.default).split(",")]
        coupling = [word.strip().lower() for word in settings.get("coupling", COUPLING.default).split(",")]
        device = _device(library, address, len(names))
        rate_hz = float(settings.get("rate") or device["default_samplerate"])
        super().__init__(device["name"], device["name"], rate_hz=rate_hz, names=names,
                         coupling=coupling[: len(names)], full_scale_v=float(settings.get("full-scale", "1.0")))
        try:
            self._stream = library.RawInputStream(samplerate=rate_hz, device=device["index"], channels=len(names),
                                                  dtype="int16", latency="high", callback=self._called)
        except library.PortAudioError as error:
            raise AcquireError(f"sound input {device['name']} cannot be opened ({error})",
                               "close other programs that record, or give another rate") from error

    def _called(self, buffer: Any, _frames: int, times: Any, status: Any) -> None:
        self.take(bytes(buffer), overflow=bool(status.input_overflow), device_s=float(times.inputBufferAdcTime) or None)

    def _begin(self) -> None:
        try:
            self._stream.start()
        except _library().PortAudioError as error:
            raise BoardDisconnectedError(f"sound input {self.info.title} does not start ({error})",
                                         "plug it in again") from error

    def _end(self) -> None:
        self._stream.stop()

    def _close(self) -> None:
        self._stream.close()


def _device(library: Any, address: str, inputs: int) -> Mapping[str, Any]:
    """Return the input that an address means: its name, a part of it, or nothing for the system's own."""
    try:
        return dict(library.query_devices(address or None, "input"))
    except (ValueError, library.PortAudioError) as error:
        there = ", ".join(repr(str(d["name"])) for d in library.query_devices() if d["max_input_channels"] >= inputs)
        raise BoardNotFoundError(f"there is no sound input {address!r}" if address else "there is no sound input",
                                 f"there are {there}" if there else "plug one in") from error


def discover_boards(deadline_s: float) -> Sequence[BoardFound]:
    """Return the sound inputs, none of them opened; empty where no sound library is."""
    del deadline_s  # listing takes milliseconds
    if not _installed():
        return ()
    try:
        devices = _library().query_devices()
    except BoardNotFoundError:
        return ()
    found: dict[str, BoardFound] = {}
    for device in devices:
        inputs, rate_hz = int(device["max_input_channels"]), float(device["default_samplerate"])
        if inputs:
            name = str(device["name"])
            found.setdefault(name, BoardFound(name, f"sound input {name}; blocks steady current unless it is made for "
                                              "it", can=Capabilities(inputs, rate_hz, BITS)))
    return tuple(found.values())


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the declaration of sound inputs."""
    title = "sound input: sync signals, and current where it passes direct current"
    return (BoardDeclaration(NAME, title, SoundBoard, discover_boards, SETTINGS,
                             "the input's name, a part of it, or nothing for the usual one"),)
