"""Whether there is a screen for the window, told before Qt is asked: Qt ends the program where there is none."""

from __future__ import annotations

import os
import sys
from ctypes.util import find_library

from crankfold.analysis import InputError
from crankfold.viewer.words import say

CURSOR_LIBRARY = "xcb-cursor"


def check_screen() -> None:
    """Complain where Qt would find no screen, or not the library it needs for one.

    Raises
    ------
    InputError
        There is none, or the library is missing.
    """
    if not sys.platform.startswith("linux") or os.environ.get("QT_QPA_PLATFORM"):
        return
    if os.environ.get("WAYLAND_DISPLAY"):
        return
    if not os.environ.get("DISPLAY"):
        raise InputError(say("problem.no_screen"))
    if find_library(CURSOR_LIBRARY) is None:
        raise InputError(say("problem.no_cursor_library"))
