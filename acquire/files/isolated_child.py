"""Reads files for the program that started it, in a process that may crash or hang without harm.

A request is one line of JSON on standard input: a path, who is to read it, what is asked, and the seconds it may take.
The answer is one line of JSON on standard output, and after it the arrays as bytes.
"""

from __future__ import annotations

import contextlib
import faulthandler
import json
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

ROOM_BYTES = 4 << 30  # address space: twice the largest recording that is taken


def main() -> None:
    """Answer requests until there are no more."""
    _confine()
    with contextlib.suppress(ImportError):
        import crankfold.acquire.files.hdf5_contents  # noqa: F401 - while whoever asks is still busy with other things
    with Path(os.devnull).open("w", encoding="ascii") as nowhere:
        for line in sys.stdin.buffer:
            asked = json.loads(line)
            faulthandler.dump_traceback_later(asked["within_s"], exit=True, file=nowhere)
            head, arrays = _answer(asked)
            faulthandler.cancel_dump_traceback_later()
            sys.stdout.buffer.write(json.dumps(head).encode("ascii") + b"\n")
            for array in arrays:
                sys.stdout.buffer.write(array)
            sys.stdout.buffer.flush()


def _confine() -> None:
    """Bound memory where the platform can, and leave neither a core file nor a window behind after a crash."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.SetErrorMode(msvcrt.SEM_FAILCRITICALERRORS | msvcrt.SEM_NOGPFAULTERRORBOX)
    else:
        import resource

        for limit, wanted in ((resource.RLIMIT_AS, ROOM_BYTES), (resource.RLIMIT_CORE, 0)):
            _, hard = resource.getrlimit(limit)
            with contextlib.suppress(OSError, ValueError):
                resource.setrlimit(limit, (wanted if hard == resource.RLIM_INFINITY else min(wanted, hard), hard))


def _answer(asked: dict[str, Any]) -> tuple[dict[str, Any], list[Any]]:
    try:
        import numpy as np

        module, _, function = asked["by"].partition(":")
        facts, arrays = getattr(import_module(module), function)(Path(asked["path"]), asked["request"])
        plain = [np.ascontiguousarray(array).reshape(-1).view(np.uint8).data for array in arrays]
        return {"facts": facts, "bytes": sum(map(len, plain))}, plain
    except MemoryError:
        return {"problem": "it needs more memory than a recording does"}, []
    except Exception as error:  # libraries raise what they like on files that are not theirs
        return {"problem": str(error) or type(error).__name__}, []


if __name__ == "__main__":
    main()
