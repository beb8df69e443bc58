"""How ``--help`` looks: commands and options in groups, examples that run, and a guess at a misspelt name."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

import click

from crankfold.viewer.words import say, sentences_of, worded_usage

COMMAND_GROUPS: Mapping[str, tuple[str, ...]] = {
    "first": ("demo", "practice"),
    "test": ("capture", "window", "analyse", "compare"),
    "keep": ("sheet", "jobs", "listen", "export"),
    "many": ("batch", "study", "validate", "bundle", "speed"),
    "set_up": ("engine", "rig", "check", "boards", "lend", "plugins"),
}
"""Commands by what a person wants, in the order of help; a command that is in none of them stands under the last."""

OPTION_GROUPS: Mapping[str, tuple[str, ...]] = {
    "engine": ("firing_order", "intervals", "strokes", "engine", "engine_name", "fuel", "system_v", "ignition",
               "starter"),
    "measured": ("board", "rig", "clamp", "probe", "sync", "columns", "rate", "channels", "reversed_channels",
                 "pre_trigger_s", "pairs"),
    "known": ("gauge", "gauges", "readings", "misfire_codes", "units", "low", "dead", "watch"),
    "job": ("shop", "technician", "customer", "plate", "mileage", "temperature", "notes"),
    "output": ("out", "outs", "json_path", "csv_path", "picture", "table", "size", "result_path"),
}
"""Options by what they are about, by the name of their parameter; all others come last."""

EXAMPLES: Mapping[str, tuple[str, ...]] = {
    "demo": ("crankfold demo", "crankfold demo --dead 2 --out second-demo"),
    "practice": ("crankfold practice --rounds 1",),
    "analyse": ("crankfold analyse crank.csv --firing-order 1-3-4-2 --sync waste-spark:1",
                "crankfold analyse crank.csv --engine pump --picture crank.png --json crank.json"),
    "capture": ("crankfold capture --from virtual:dead=3 --firing-order 1-3-4-2 --once",
                "crankfold capture --rig cart --engine pump --out jobs"),
    "window": ("crankfold window --rig cart --engine pump",),
    "compare": ("crankfold compare before.csv after.csv --engine pump --sync waste-spark:1",),
    "sheet": ("crankfold sheet crank.csv --engine pump --sync waste-spark:1 --out crank.html",),
    "jobs": ("crankfold jobs jobs",),
    "listen": ("crankfold listen crank.csv --out crank.wav",),
    "export": ("crankfold export crank.csv --out crank.h5",),
    "batch": ("crankfold batch recordings --engine pump --table table.csv",),
    "study": ("crankfold study recordings --engine pump --sync waste-spark:1",),
    "speed": ("crankfold speed teeth.csv --wheel 60-2 --firing-order 1-3-4-2",),
    "validate": ("crankfold validate crank.json --gauge gauge.csv", "crankfold validate --protocol protocol.html"),
    "bundle": ("crankfold bundle crank.h5 --engine pump --readings gauge.csv --licence CC0-1.0 --consent "
               "--out crank.bundle.zip",),
    "engine": ("crankfold engine pump --firing-order 1-3-4-2", "crankfold engine"),
    "rig": ("crankfold rig cart --from virtual:dead=3,sync=waste-spark --sync waste-spark:1",),
    "check": ("crankfold check --rig cart --seconds 2",),
    "boards": ("crankfold boards --wait 1",),
    "lend": ("crankfold lend --rig cart", "crankfold lend --from serial-frames --at 0.0.0.0 --secret-file lend.secret"),
    "plugins": ("crankfold plugins",),
}
"""Lines to copy; the tests run those that end by themselves."""

ALSO = {"analyze": "analyse"}
"""Other spellings of commands."""
GOES_ON = " \\"
"""Ends a line of a command that goes on in the next."""
SAID_FOR = {"share": "lend", "serve": "lend", "scan": "boards"}  # other words for what a command does
MEANT_SHARE = 0.6  # of the letters alike: below it a guess is more puzzling than none


class Command(click.Command):
    """A command whose help groups its options and ends in examples."""

    @classmethod
    def of(cls, command: click.Command) -> Command:
        """Return a command that does the same."""
        return cls(command.name, callback=command.callback, params=command.params, help=command.help,
                   short_help=command.short_help, context_settings=command.context_settings)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Take the command line apart; whatever is wrong with it is said of this command."""
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            error.ctx = error.ctx or ctx
            raise

    def get_help_option(self, ctx: click.Context) -> click.Option | None:
        """Return ``--help`` with its text from the wording."""
        return _worded(super().get_help_option(ctx))

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the line that shows how the command is written."""
        formatter.write_usage(ctx.command_path, " ".join(self.collect_usage_pieces(ctx)), f"{say('help.usage')} ")

    def collect_usage_pieces(self, ctx: click.Context) -> list[str]:
        """Return the pieces of that line."""
        pieces = (piece for p in self.get_params(ctx) for piece in p.get_usage_pieces(ctx))
        return [say("help.options_short"), *map(stand_ins, pieces)]

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, a section a group."""
        left = {p.name: p.get_help_record(ctx) for p in self.get_params(ctx) if isinstance(p, click.Option)}
        whole = {name: _in_our_words(record) for name, record in left.items() if record is not None}
        for group, names in OPTION_GROUPS.items():
            _section(formatter, say(f"help.options.{group}"), [whole.pop(n) for n in names if n in whole])
        _section(formatter, say("help.options.other"), list(whole.values()))

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the examples."""
        lines = EXAMPLES.get(str(self.name), ())
        if lines:
            with formatter.section(say("help.examples")):
                for line in lines:
                    formatter.write(_to_copy(line, formatter.current_indent, formatter.width) + "\n")


def write_commands(formatter: click.HelpFormatter, commands: Sequence[str]) -> None:
    """Write all commands, a section a group."""
    groups = {group: [name for name in names if name in commands] for group, names in COMMAND_GROUPS.items()}
    groups["set_up"] += [name for name in commands if not any(name in names for names in COMMAND_GROUPS.values())]
    widest = max(map(len, commands))
    for group, names in groups.items():
        _section(formatter, say(f"help.group.{group}"), [(name.ljust(widest), say(f"help.{name}.short"))
                                                         for name in names])


def _to_copy(line: str, indent: int, width: int) -> str:
    """Return a command that can be copied as it stands, in several lines where it is too long for one."""
    parts = textwrap.wrap(line, width - indent - len(GOES_ON), subsequent_indent="  ", break_long_words=False,
                          break_on_hyphens=False)
    return f"{GOES_ON}\n".join(" " * indent + part for part in parts)


def stand_ins(text: str) -> str:
    """Return the words in capitals that stand for what is to be given, in the language in use."""
    words = sentences_of("metavar")
    return re.sub(r"[A-Z]{2,}", lambda word: words.get(word[0].lower(), word[0]), text)


def _in_our_words(record: tuple[str, str]) -> tuple[str, str]:
    """Return an option's line of help with choices, default and range as we write them.

    The library adds ``[default: 5.0; 1.0<=x<=600.0]``; ours are in the sentences where a default needs words.
    """
    names, text = record
    text, _, added = text.rpartition("  [") if text.endswith("]") else (text, "", "")
    parts = [_extra(part) for part in added.removesuffix("]").split("; ") if part]
    return (stand_ins(re.sub(r"\[(\S+\|\S+)\]", r"\1", names)), f"{text} ({', '.join(parts)})" if parts else text)


def _extra(part: str) -> str:
    """Return one of the things that the library adds in brackets."""
    if part == "required":
        return say("help.needed")
    if usual := re.fullmatch(r"default: (.*)", part):
        return say("help.usual", value=_tidy(usual[1]))
    low, high = re.fullmatch(r"(?:(.*)<=)?x(?:[<>]=(.*))?", part).groups()  # type: ignore[union-attr]
    return say("help.between", low=_tidy(low), high=_tidy(high)) if low else say("help.least", low=_tidy(high))


def _tidy(text: str) -> str:
    """Return a number as people write it, any other text as it is."""
    return f"{float(text):g}" if re.fullmatch(r"[\d.]+", text) else text


def _section(formatter: click.HelpFormatter, heading: str, rows: Sequence[tuple[str, str]]) -> None:
    if rows:
        with formatter.section(heading):
            formatter.write_dl(list(rows))


def _worded(option: click.Option | None) -> click.Option | None:
    if option is not None:
        option.help = say("option.help")
    return option


def problem_of(error: click.ClickException, commands: Sequence[str]) -> str:
    """Return what is wrong with a command line in a sentence of ours, with what was probably meant."""
    if isinstance(error, click.NoSuchOption):
        known = [name for p in error.ctx.command.get_params(error.ctx) for name in p.opts] if error.ctx else []
        near = _meant(error.option_name, known)
        return say("usage.no_option_meant" if near else "usage.no_option", name=error.option_name, meant=near)
    unknown = getattr(error, "unknown_command", None)
    if unknown is not None:
        near = SAID_FOR.get(str(unknown)) or _meant(str(unknown), commands)
        return say("usage.no_command_meant" if near else "usage.no_command", name=unknown, meant=near)
    if isinstance(error, click.MissingParameter) and error.param is not None:
        name = error.param.opts[0] if isinstance(error.param, click.Option) else error.param.human_readable_name
        return say("usage.missing", name=stand_ins(name))
    return worded_usage(error.format_message().rstrip("."))


def _meant(name: str, known: Sequence[str]) -> str:
    """Return the name that a misspelt one was probably meant to be, empty where none is near."""
    return "".join(get_close_matches(name, known, n=1, cutoff=MEANT_SHARE))


class NoSuchCommandError(click.UsageError):
    """A command that does not exist."""

    def __init__(self, name: str, ctx: click.Context) -> None:
        super().__init__(name, ctx)
        self.unknown_command = name


def resolved(group: Any, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
    """Return name, command and further arguments, as a group of commands finds them.

    Raises
    ------
    NoSuchCommandError
        There is no command of that name.
    """
    command = group.get_command(ctx, args[0])
    if command is None and not ctx.resilient_parsing:
        raise NoSuchCommandError(args[0], ctx)
    return (command.name if command else None), command, args[1:]
