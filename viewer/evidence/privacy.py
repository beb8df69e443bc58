"""What could tell who somebody is, found in texts before they are given away.

The first line of defence is that a bundle is put together from a short list of fields, most of them numbers and words
of a fixed list. This is the second: the finished file is searched for what slips through free texts and file formats.
"""

from __future__ import annotations

import getpass
import platform
import re
from collections.abc import Iterable
from pathlib import Path

LEAST_NAME = 3  # characters; shorter user names are found in any text

PATTERNS = {
    "e-mail": re.compile(r"[\w.+-]{1,64}@[\w-]{1,64}\.[\w.-]{2,64}"),
    "web-address": re.compile(r"\b(?:https?://|www\.)\S{3,}", re.IGNORECASE),
    "telephone": re.compile(r"(?<![\w.])(?:\+|00|\()?\d{1,4}[)\s/-]{1,2}\d{2,5}(?:[\s/-]?\d{2,5}){1,4}(?![\w.])"),
    "vehicle-number": re.compile(r"\b(?=[A-Z0-9]*\d)(?=[A-Z0-9]*[A-Z])[A-HJ-NPR-Z0-9]{17}\b"),
    "place": re.compile(r"[-+]?\d{1,3}\.\d{4,}\s*[,;/]\s*[-+]?\d{1,3}\.\d{4,}"),
    "network-address": re.compile(r"\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b|\b(?:\d{1,3}\.){3}\d{1,3}\b"),
    "path": re.compile(r"(?:/home/|/Users/|[A-Za-z]:\\Users\\)[^\s/\\]{1,64}"),
}
"""By kind: an address of e-mail, web, network or file system, a telephone number, a vehicle identification number (17
characters without I, O and Q, ISO 3779), coordinates."""


def personal(text: str) -> list[tuple[str, str]]:
    """Return what in a text could tell who somebody is: its kind, and the words.

    >>> personal("call 030 123 4567 or write to shop@harbour.example")
    [('e-mail', 'shop@harbour.example'), ('telephone', '030 123 4567')]
    >>> personal("plugs out, throttle open, 260 rpm, 12.1 bar, 2 readings each")
    []
    """
    return [(kind, found.group().strip()) for kind, pattern in PATTERNS.items() for found in pattern.finditer(text)]


def own_names() -> tuple[str, ...]:
    """Return names that this computer has for its user and itself, in lower case."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = ""
    found = {user, platform.node().partition(".")[0], Path.home().name}
    return tuple(sorted(n.lower() for n in found if len(n) >= LEAST_NAME and n.lower() not in ("root", "localhost")))


def names_within(content: bytes, names: Iterable[str]) -> tuple[str, ...]:
    """Return which of the names occur as words in the bytes, in any case.

    >>> names_within(b"origin: /data/Anna/crank.csv", ["anna", "bert"])
    ('anna',)
    """
    low = content.lower()
    return tuple(name for name in names if re.search(rb"(?<![\w])" + re.escape(name.encode()) + rb"(?![\w])", low))
