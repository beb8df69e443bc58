"""A seal: the hash of what a result says, taken before the gauge is read, so that nobody can be said to have looked.

It proves one thing: that the result has not changed since somebody else wrote its code down. The hash is of what
matters (verdict, cylinders, the engine's pattern), not of words, names or dates, so that a result may be reformatted,
and what is personal taken out, without breaking it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from crankfold.analysis import InputError
from crankfold.viewer.words import say

SEAL_FORMAT = "crankfold.seal/1"
RESULT_FORMAT = "crankfold.result/1"
SEAL_SUFFIX = ".seal.json"
SEALED = ("verdict", "cylinders", "low", "low_positions")
OF_CYLINDER = ("position", "cylinder", "relative_percent", "interval_percent", "state")
OF_ENGINE = ("firing_order", "intervals_deg", "strokes")
CODE_DIGITS, CODE_GROUP = 16, 4  # 64 bits: nobody finds another result with the same code
MAX_BYTES = 2_000_000  # of a result; those of sixteen cylinders have some ten thousand


def digest_of(result: Mapping[str, Any]) -> str:
    """Return the SHA-256 of what a result says, in hexadecimal.

    >>> digest_of({"verdict": "even", "cylinders": []}) == digest_of({"cylinders": [], "verdict": "even", "next": 1})
    True
    """
    kept: dict[str, Any] = {name: result.get(name) for name in SEALED}
    kept["cylinders"] = [{name: c.get(name) for name in OF_CYLINDER} for c in result.get("cylinders") or ()]
    kept["engine"] = {name: (result.get("engine") or {}).get(name) for name in OF_ENGINE}
    kept["reasons"] = [reason.get("code") for reason in result.get("reasons") or ()]
    return hashlib.sha256(json.dumps(kept, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def code_of(digest: str) -> str:
    """Return the short code that a person writes down.

    >>> code_of("3f9a12bc77d04e21" + 48 * "0")
    '3f9a-12bc-77d0-4e21'
    """
    return "-".join(digest[k : k + CODE_GROUP] for k in range(0, CODE_DIGITS, CODE_GROUP))


def seal_of(result: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the seal of a result as plain data."""
    digest = digest_of(result)
    return {"format": SEAL_FORMAT, "file": name, "sha256": digest, "code": code_of(digest),
            "sealed_utc": datetime.now(UTC).isoformat(timespec="seconds")}


def seal_path(result_path: Path) -> Path:
    """Return where the seal of a result lies: beside it, ``crank.json`` and ``crank.seal.json``."""
    return result_path.with_name(result_path.name.removesuffix(".json") + SEAL_SUFFIX)


def holds(seal: Mapping[str, Any], result: Mapping[str, Any]) -> bool:
    """Return whether a result is still the one that was sealed."""
    return seal.get("format") == SEAL_FORMAT and seal.get("sha256") == digest_of(result)


def same_code(written: str, result: Mapping[str, Any]) -> bool:
    """Return whether the code that somebody wrote down, with or without dashes, is the result's."""
    digits = re.sub(r"[^0-9a-f]", "", written.lower())
    return len(digits) >= CODE_DIGITS and digest_of(result).startswith(digits)


def read_json(path: Path, format_: str) -> dict[str, Any]:
    """Return a JSON file of ours.

    Raises
    ------
    InputError
        It cannot be read, or is of another format.
    """
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
        return parse_json(content, format_, str(path))
    except OSError as error:
        raise InputError(say("validate.unreadable", path=str(path), reason=error.strerror or str(error))) from error


def parse_json(content: bytes, format_: str, where: str) -> dict[str, Any]:
    """Return what the bytes of a JSON file of ours say; `where` is its name for people.

    Raises
    ------
    InputError
        They are not JSON, too long, or of another format.
    """
    try:
        data = json.loads(content.decode("utf-8")) if len(content) <= MAX_BYTES else None
    except (ValueError, RecursionError) as error:
        raise InputError(say("validate.no_json", path=where, format=format_)) from error
    if not isinstance(data, dict) or data.get("format") != format_:
        raise InputError(say("validate.no_json", path=where, format=format_))
    return data
