"""An emulated USB device in one process, and a client with the real libusb and pyusb in another."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HERE = Path(__file__).parent
WRAPPER = "umockdev-wrapper"
SYSTEM_PYTHON = "/usr/bin/python3"
APT = "umockdev gir1.2-umockdev-1.0 python3-gi libusb-1.0-0"


class Emulated:
    """The device's process; `client` runs a function of `usb_client.py` against it and returns what it answers."""

    def __init__(self, firmware: str, plan: dict[str, Any], folder: Path) -> None:
        self.folder = folder
        path = folder / "plan.json"
        path.write_text(json.dumps(plan), encoding="utf-8")
        self.process = subprocess.Popen([WRAPPER, SYSTEM_PYTHON, str(HERE / firmware), str(path)],
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        first = self._line()
        assert first is not None, f"the emulated device did not start; it needs: apt install {APT}"
        self.environment = {**os.environ, "UMOCKDEV_DIR": first["root"]}
        self.root = Path(first["root"])

    def _line(self) -> Any:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        return json.loads(line) if line else None

    def tell(self, words: str) -> Any:
        """Return what the device's process answers to a command."""
        assert self.process.stdin is not None
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()
        return self._line()

    def start_client(self, function: str, **arguments: Any) -> subprocess.Popen[str]:
        command = [WRAPPER, sys.executable, "-W", "error", str(HERE / "usb_client.py"), function, json.dumps(arguments)]
        return subprocess.Popen(command, env=self.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                text=True)

    def client(self, function: str, **arguments: Any) -> Any:
        with self.start_client(function, **arguments) as process:
            try:
                out, _ = process.communicate()
            finally:
                process.kill()
        assert process.returncode == 0, f"client ended with {process.returncode}"
        return json.loads(out)

    def close(self) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.close()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()


@pytest.fixture
def emulate(tmp_path: Path) -> Iterator[Callable[..., Emulated]]:
    """Return what plugs an emulated device in: ``emulate(firmware file, plan)``."""
    if shutil.which(WRAPPER) is None or not Path(SYSTEM_PYTHON).exists():
        pytest.fail(f"{WRAPPER} or {SYSTEM_PYTHON} is missing; run: apt install {APT}")
    devices: list[Emulated] = []

    def plug(firmware: str, plan: dict[str, Any]) -> Emulated:
        devices.append(Emulated(firmware, plan, tmp_path))
        return devices[-1]

    yield plug
    for device in devices:
        device.close()
        assert not device.root.exists()
