"""The error that means: what was given cannot be used, and this is what to do about it."""

from __future__ import annotations


class InputError(ValueError):
    """Something the user gave cannot be used.

    The message is one sentence that says what is wrong, where, and what to do; callers show it as it is.
    Raised, for example, for a firing order that repeats a cylinder or a probe scale of zero.
    """
