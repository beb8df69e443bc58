"""Debian's Chromium without a screen, at the size of a phone, told what to do over a pipe (DevTools protocol)."""

from __future__ import annotations

import base64
import fcntl
import json
import os
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any, Self

SIZE = (412, 915)  # CSS pixels of a usual phone
PATIENCE_S = 30.0
FREE = 20  # descriptors from here on are nobody's
OPTIONS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
           "--disable-background-networking", "--disable-component-update", "--hide-scrollbars",
           "--remote-debugging-pipe")


class PhoneBrowser:
    """A browser; each `page` is a phone of its own."""

    def __init__(self, profile: Path) -> None:
        chromium = shutil.which("chromium")
        assert chromium is not None, "Debian's package chromium is missing"
        ends = (*os.pipe(), *os.pipe())
        told, self._out, self._in, tells = (fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, FREE) for end in ends)
        for end in ends:
            os.close(end)
        # the browser reads from descriptor 3 and writes to 4; a shell that knows more than ten puts them there
        self._process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{told} 4>&{tells}', "bash", chromium, *OPTIONS,
             f"--user-data-dir={profile}", "about:blank"], pass_fds=(told, tells), stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL)
        os.close(told)
        os.close(tells)
        self._number, self._rest = 0, b""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(PATIENCE_S)
        os.close(self._out)
        os.close(self._in)

    def do(self, method: str, page: str | None = None, **facts: Any) -> dict[str, Any]:
        """Return the answer to one command."""
        self._number += 1
        asked: dict[str, Any] = {"id": self._number, "method": method, "params": facts}
        asked |= {} if page is None else {"sessionId": page}
        os.write(self._out, json.dumps(asked).encode() + b"\0")
        while (heard := self._heard()).get("id") != self._number:
            pass
        assert "error" not in heard, heard
        return dict(heard["result"])

    def page(self, address: str) -> Phone:
        """Open an address on another phone."""
        target = self.do("Target.createTarget", url="about:blank")["targetId"]
        session = self.do("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        wide, tall = SIZE
        self.do("Emulation.setDeviceMetricsOverride", session, width=wide, height=tall, deviceScaleFactor=2,
                mobile=True)
        self.do("Page.navigate", session, url=address)
        return Phone(self, session)

    def _heard(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            piece = os.read(self._in, 1 << 20)
            assert piece, "the browser has ended"
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(line))


class Phone:
    """One phone that looks at the page."""

    def __init__(self, browser: PhoneBrowser, session: str) -> None:
        self._browser, self._session = browser, session

    def asked(self, script: str) -> Any:
        """Return what a line of script gives."""
        found = self._browser.do("Runtime.evaluate", self._session, expression=script, returnByValue=True)
        return found["result"].get("value")

    def text(self, part: str) -> str:
        """Return the words of the part of that id, empty where there is none."""
        return str(self.asked(f"(document.getElementById({part!r}) || {{}}).innerText || ''"))

    def until(self, headline: str) -> None:
        """Wait until the page says so."""
        end_s = time.monotonic() + PATIENCE_S
        while self.text("headline") != headline:
            assert time.monotonic() < end_s, f"{self.text('headline')!r} in place of {headline!r}"
            time.sleep(0.05)

    def press(self, words: str) -> None:
        """Press the button of those words."""
        assert self.asked(f"(b => b ? (b.click(), true) : false)([...document.querySelectorAll('button')]"
                          f".find(b => b.innerText === {words!r}))"), f"no button {words!r}"

    def picture(self, path: Path) -> None:
        """Save what is seen as a PNG."""
        found = self._browser.do("Page.captureScreenshot", self._session, format="png")
        path.write_bytes(base64.b64decode(found["data"]))
