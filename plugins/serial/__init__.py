"""Boards on a serial line: lines of numbers, and checked frames."""
