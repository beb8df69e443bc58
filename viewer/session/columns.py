"""What is looked at the moment a board is open: whether its columns are known and its rate is high enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.analysis import InputError, least_rate_hz
from crankfold.viewer.words import column_lines, column_text, columns_setting, say, tell

if TYPE_CHECKING:
    from crankfold.acquire import ColumnSeen, SourceInfo
    from crankfold.analysis import Engine


class GuessedColumnsError(InputError):
    """Nobody said which column of the board is the current, and nothing shows it."""

    def __init__(self, columns: tuple[ColumnSeen, ...]) -> None:
        super().__init__(say("columns.guess", count=len(columns), columns="; ".join(map(column_text, columns)),
                             setting=columns_setting(columns)))
        self.columns = columns


def check_source(info: SourceInfo, engine: Engine) -> None:
    """Complain about an open board that no crank should be spent on.

    Raises
    ------
    GuessedColumnsError
        Its columns had to be guessed.
    InputError
        Its rate is too low for the engine.
    """
    if info.guessed:
        raise GuessedColumnsError(info.columns)
    needed_hz = least_rate_hz(engine)
    if info.live and info.rate_hz < needed_hz:
        raise InputError(say("columns.too_slow", board=info.title, rate_hz=info.rate_hz, needed_hz=needed_hz,
                             cylinders=engine.cylinders))


def ask_columns(columns: tuple[ColumnSeen, ...]) -> str:
    """Show the columns, ask which is which, and return the setting that says so."""
    tell(say("columns.heading"))
    for line in column_lines(columns):
        tell(line, indent=1)
    guess = {c.name: c.number for c in columns}
    numbers = [str(c.number) for c in columns]
    chosen: dict[int, str] = {}
    for name, question, others in (("current", "columns.which", []), ("sync", "columns.which_sync", ["0"])):
        answer = _answer(question, [*others, *numbers], str(guess.get(name, 0 if others else 1)))
        if answer and answer not in chosen:
            chosen[answer] = name
    setting = columns_setting(columns, chosen)
    tell(say("columns.next_time", setting=setting))
    return setting


def _answer(question: str, allowed: list[str], usual: str) -> int:
    """Return one of the numbers that are allowed, asked again until it is one."""
    import click

    while True:
        text = str(click.prompt(say(question), type=str, default=usual)).strip()
        if text in allowed:
            return int(text)
        tell(say("columns.not_one", text=text, numbers=allowed))
