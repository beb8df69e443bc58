"""What is printed: one sentence a line, with nothing in it that a terminal would obey."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Sequence
from typing import TextIO

INDENT = "  "
WIDTH = 80  # columns of a table where nobody says how many there are
NARROWEST = 40  # columns; a narrower terminal breaks lines by itself
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
    """Print a sentence on standard output: one line, on a terminal as many as it needs, with no word cut."""
    import click

    for line in _lines(tame(text), INDENT * indent, sys.stdout):
        click.echo(click.style(line, bold=True) if bold and not os.environ.get("NO_COLOR") else line)


def _lines(text: str, indent: str, stream: TextIO) -> list[str]:
    """Return a sentence as lines: broken between words where a person reads it on a terminal, whole elsewhere."""
    if not stream.isatty():
        return [indent + text]
    wide = max(NARROWEST, shutil.get_terminal_size().columns - 1)
    return textwrap.wrap(text, wide, initial_indent=indent, subsequent_indent=indent, break_long_words=False,
                         break_on_hyphens=False) or [""]


def show_table(headings: Sequence[str], rows: Sequence[tuple[Sequence[str], bool]]) -> None:
    """Print a table on standard output, in no more columns than the terminal has, and 80 where there is none.

    Parameters
    ----------
    headings
        Of the columns.
    rows
        Cells of each row, and whether it is to stand out: in red, too, where colours are wanted.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 3, 0, 0), pad_edge=False)
    for heading in headings:
        table.add_column(Text(tame(heading), style="dim"), overflow="fold")
    for cells, stands_out in rows:
        table.add_row(*(Text(tame(cell), style="red" if stands_out else "") for cell in cells))
    wide = shutil.get_terminal_size().columns if sys.stdout.isatty() else WIDTH
    console = Console(file=sys.stdout, width=max(NARROWEST, wide) - len(INDENT), highlight=False, soft_wrap=False,
                      color_system=None if os.environ.get("NO_COLOR") else "auto")  # else bold and dim would stay
    with console.capture() as drawn:
        console.print(table)
    for line in drawn.get().splitlines():
        print(INDENT + line.rstrip())


def complain(text: str) -> None:
    """Print a sentence on standard error, as `tell` does."""
    import click

    for line in _lines(tame(text), "", sys.stderr):
        click.echo(line, err=True)
