"""What is printed: one sentence a line, with nothing in it that a terminal would obey."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Sequence

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


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table that fits the terminal; cells are wrapped between words where there is no room."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", show_edge=False)
    for name in head:
        table.add_column(name, overflow="fold")
    for row in rows:
        table.add_row(*(Text(tame(cell)) for cell in row))
    Console(highlight=False, soft_wrap=False).print(table)
