"""An HTML page as PDF, by the browser that is there; nothing is fetched and nothing is shown."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from crankfold.analysis import InputError
from crankfold.viewer.words import say

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
BROWSER_VARIABLE = "CRANKFOLD_BROWSER"
DEADLINE_S = 60.0


def pdf_of(html: str) -> bytes:
    """Return the page as the bytes of a PDF document.

    Raises
    ------
    InputError
        There is no browser to print with, or it failed.
    """
    named = os.environ.get(BROWSER_VARIABLE)
    found = next(filter(None, map(shutil.which, (named,) if named else BROWSERS)), None)
    if found is None:
        raise InputError(say("problem.no_browser", variable=BROWSER_VARIABLE))
    with tempfile.TemporaryDirectory(prefix="crankfold-") as folder:
        page, printed = Path(folder) / "sheet.html", Path(folder) / "sheet.pdf"
        page.write_text(html, encoding="utf-8")
        command = [found, "--headless", "--disable-gpu", "--no-pdf-header-footer", f"--user-data-dir={folder}/profile",
                   f"--print-to-pdf={printed}", page.as_uri()]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # browsers refuse to run as root otherwise; the page has no script
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=DEADLINE_S)
            return printed.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            raise InputError(say("problem.browser_failed", browser=found, reason=type(error).__name__)) from error
