"""The job book as a CSV table for a spreadsheet."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from crankfold.viewer.jobs.entry import COLUMNS
from crankfold.viewer.words import safe_cell

if TYPE_CHECKING:
    from collections.abc import Sequence

    from crankfold.viewer.jobs.entry import Entry

LEFT_OUT = ("size", "changed_ns")  # the index's own business


def book_bytes(entries: Sequence[Entry]) -> bytes:
    """Return the entries as CSV (RFC 4180, UTF-8), a row each, in their order."""
    names = [name for name in COLUMNS if name not in LEFT_OUT]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(names)
    for entry in entries:
        writer.writerow([safe_cell(getattr(entry, name)) for name in names])
    return text.getvalue().encode("utf-8", "backslashreplace")
