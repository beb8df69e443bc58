"""The root of all errors, and the one that means: what was given cannot be used, and this is what to do about it."""

from __future__ import annotations


class CrankfoldError(Exception):
    """Everything that crankfold raises on purpose: one sentence that says what is wrong, where, and what to do.

    Whoever calls crankfold catches this one; what else comes out is a fault of crankfold.
    """


class InputError(CrankfoldError, ValueError):
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
