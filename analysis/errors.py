"""The error that means: what was given cannot be used, and this is what to do about it."""

from __future__ import annotations


class InputError(ValueError):
    """Something the user gave cannot be used.

    The message is one sentence that says what is wrong, where, and what to do; callers show it as it is.
    Raised, for example, for a firing order that repeats a cylinder or a probe scale of zero.
    """


def quoted(given: object, most: int = 60) -> str:
    """Return what was given in quotation marks, its end left out where it is longer than a message should repeat."""
    return shortened(repr(given), most)


def shortened(text: str, most: int = 60) -> str:
    """Return a text, its end left out where it is longer than a message should repeat."""
    return text if len(text) <= most else f"{text[: most - 3]}..."
