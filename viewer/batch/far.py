"""Captures that lie far away (``s3://``, ``https://``, ...): listed, and fetched one at a time, by fsspec."""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from crankfold.analysis import InputError
from crankfold.viewer.words import say

FAR = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")  # two letters at least: one is a drive


def is_far(text: str) -> bool:
    """Return whether a path names something that is not in this computer's file system."""
    return FAR.match(text) is not None


def far_name(address: str) -> str:
    """Return the name of the file that an address ends in."""
    return unquote(urlsplit(address).path.rstrip("/")).rsplit("/", 1)[-1]


def walk_far(address: str) -> Iterator[tuple[str, Mapping[str, Any], frozenset[str]]]:
    """Yield the address and the facts of each file at an address, and the names of the files in its folder.

    Raises
    ------
    InputError
        Nothing is there, or it cannot be reached.
    """
    system, path = _opened(address)
    try:
        if not system.isdir(path):
            yield address, system.info(path), frozenset()
            return
        for folder, inner, files in system.walk(path, detail=True):
            for name in [name for name in inner if name.startswith(".")]:
                del inner[name]
            names = frozenset(files)
            for name in sorted(names):
                yield system.unstrip_protocol(f"{folder.rstrip('/')}/{name}"), files[name], names
    except Exception as error:  # each kind of far place raises errors of its own
        raise InputError(say("batch.far", path=address, reason=_reason(error))) from error


def far_bytes(address: str, longest: int) -> bytes | None:
    """Return up to so many bytes of a file, None where there is none.

    Raises
    ------
    InputError
        It cannot be reached.
    """
    system, path = _opened(address)
    try:
        return bytes(system.cat_file(path, end=longest)) if system.exists(path) else None
    except Exception as error:  # as above
        raise InputError(say("batch.far", path=address, reason=_reason(error))) from error


@contextmanager
def fetched(address: str) -> Iterator[Path]:
    """Fetch a file; it is deleted when the block ends.

    Raises
    ------
    OSError
        It cannot be reached, which may pass.
    """
    with tempfile.TemporaryDirectory(prefix="crankfold-") as folder:
        local = Path(folder) / (far_name(address) or "capture")
        try:
            system, path = _opened(address)
            system.get_file(path, str(local))
        except OSError:
            raise
        except Exception as error:
            raise OSError(_reason(error)) from error
        yield local


def stamp_of(facts: Mapping[str, Any]) -> str:
    """Return digits that change when a file far away does: of all that is told about it without reading it."""
    return hashlib.sha256(repr(sorted((str(k), str(v)) for k, v in facts.items())).encode()).hexdigest()


def _opened(address: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs
    except ModuleNotFoundError as error:
        raise InputError(say("problem.needs_extra", package="fsspec", extra="batch")) from error
    try:
        system, path = url_to_fs(address)
    except (ImportError, ValueError, OSError) as error:
        raise InputError(say("batch.far", path=address, reason=_reason(error))) from error
    return system, str(path)


def _reason(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
