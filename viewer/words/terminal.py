"""What is printed: one sentence a line, with nothing in it that a terminal would obey."""

from __future__ import annotations

import sys
import unicodedata

INDENT = "  "
_FORBIDDEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # control and format characters, lone surrogates, line separators


def tame(text: str) -> str:
    """Return text on one line without escape sequences, direction marks or other characters that act on a terminal."""
    return "".join("?" if acts(c) else c for c in " ".join(text.split()))


def acts(character: str) -> bool:
    """Return whether a character does something to a terminal or to the text around it, in place of being seen."""
    return unicodedata.category(character) in _FORBIDDEN


def prepare() -> None:
    """Make standard output and error replace what they cannot encode, in place of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def tell(text: str = "", *, indent: int = 0, bold: bool = False) -> None:
    """Print one line on standard output."""
    import click

    line = INDENT * indent + tame(text)
    click.echo(click.style(line, bold=True) if bold else line)


def complain(text: str) -> None:
    """Print one line on standard error."""
    import click

    click.echo(tame(text), err=True)
