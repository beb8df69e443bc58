"""Cells of tables that people open in a spreadsheet."""

from __future__ import annotations

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(value: object) -> object:
    """Return what stands for a value, a text never so that a spreadsheet would take it for a formula and run it."""
    if isinstance(value, str) and value.startswith(FORMULA_SIGNS):
        return "'" + value
    return "" if value is None else value
