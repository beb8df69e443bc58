"""Takes HDF5 files apart for the program that started it, in a process that may crash or hang without harm.

A request is one line of JSON on standard input: a path, the seconds it may take, and the name of a data set whose
values are wanted. The answer is one line of JSON on standard output, and after it the values as bytes. Without a name
the answer describes the file: its groups and data sets with their attributes, texts and numbers only. Links to
elsewhere are not followed, and what needs the unchecked heap of texts of variable length is not read.
"""

from __future__ import annotations

import contextlib
import faulthandler
import json
import os
import sys
from pathlib import Path
from typing import Any

MOST_MEMBERS = 10_000  # of a file that is described; recordings have a few
MOST_ELEMENTS = 1000  # of an attribute; ours have at most two
ROOM_BYTES = 4 << 30  # address space: twice the largest recording that is taken
BOOKKEEPING = "#"  # begins the names of what MATLAB keeps for itself


def main() -> None:
    """Answer requests until there are no more."""
    _confine()
    with contextlib.suppress(ImportError):
        import h5py  # noqa: F401 - while whoever asks is still busy with other things
    with Path(os.devnull).open("w", encoding="ascii") as nowhere:
        for line in sys.stdin.buffer:
            request = json.loads(line)
            faulthandler.dump_traceback_later(request["within_s"], exit=True, file=nowhere)
            head, values = _answer(request["path"], request["name"])
            faulthandler.cancel_dump_traceback_later()
            sys.stdout.buffer.write(json.dumps(head).encode("ascii") + b"\n")
            sys.stdout.buffer.write(values)
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


def _answer(path: str, name: str | None) -> tuple[dict[str, Any], Any]:
    try:
        import h5py
        import numpy as np

        with h5py.File(path, "r") as file:
            if name is None:
                return {"members": _described(file)}, b""
            values = np.asarray(file[name][()], file[name].dtype).reshape(-1)
            return {"bytes": values.nbytes}, values.view(np.uint8).data
    except MemoryError:
        return {"problem": "it needs more memory than a recording does"}, b""
    except Exception as error:  # the library raises what it likes on files that are not its own
        return {"problem": str(error) or type(error).__name__}, b""


def _described(file: Any) -> dict[str, Any]:
    members = {"": _facts(file)}

    def visit(name: str, item: Any) -> None:
        if not name.startswith(BOOKKEEPING):
            members[name] = _facts(item)
        if len(members) > MOST_MEMBERS:
            raise ValueError(f"it has more than {MOST_MEMBERS} groups and data sets")

    file.visititems(visit)
    return members


def _facts(item: Any) -> dict[str, Any]:
    import h5py

    facts: dict[str, Any] = {"attributes": _attributes(item.attrs)}
    if isinstance(item, h5py.Group):
        if len(item) > MOST_MEMBERS:
            raise ValueError(f"a group in it has more than {MOST_MEMBERS} members")
        return facts | {"holds": list(item)}
    if not isinstance(item, h5py.Dataset) or item.shape is None:
        return facts
    plain = item.dtype.kind in "iufS" and not (item.is_virtual or item.external)
    return facts | {"shape": item.shape, "type": item.dtype.str if plain else ""}


def _attributes(attributes: Any) -> dict[str, Any]:
    """Return those that are numbers or texts of fixed length: type and size are looked at before the value."""
    found: dict[str, Any] = {}
    for name in attributes:
        about = attributes.get_id(name)
        size = 1
        for length in about.shape:
            size *= length
        if about.dtype.kind in "iuf" and about.dtype.itemsize <= 8 and size <= MOST_ELEMENTS:
            found[name] = attributes[name].tolist()
        elif about.dtype.kind == "S" and about.shape == ():
            found[name] = bytes(attributes[name]).decode("latin-1")
    return found


if __name__ == "__main__":
    main()
