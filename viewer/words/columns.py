"""The columns of a board that does not say what they are, shown for a person to say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from crankfold.viewer.words.catalogue import say

if TYPE_CHECKING:
    from crankfold.acquire import ColumnSeen


def column_lines(columns: Sequence[ColumnSeen]) -> list[str]:
    """Return a line for each column: its number, least, most, and what it seems to be."""
    return [column_text(column) for column in columns]


def column_text(column: ColumnSeen) -> str:
    """Return what there is to say of one column."""
    still = column.least == column.most
    key = "columns.still" if still else "columns.row"
    text = say(key, number=column.number, least=column.least, most=column.most)
    label = " ".join(filter(None, (column.label, column.unit)))
    name = say("columns.taken", name=column.name) if column.name in {"current", "sync"} else ""
    return ", ".join(filter(None, (text, label, say(f"columns.seems.{column.seems}"), name)))


def columns_setting(columns: Sequence[ColumnSeen], chosen: dict[int, str] | None = None) -> str:
    """Return the setting that says which column is which, as the board took them, or as `chosen` by number.

    Numbers that are neither chosen nor the time are left out.
    """
    if chosen is None:
        chosen = {c.number: c.name for c in columns if c.name in {"current", "sync"}}
    return ",".join(chosen.get(c.number, "time" if c.seems == "time" else "-") for c in columns)
