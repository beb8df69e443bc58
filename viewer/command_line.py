"""The command ``crankfold``: its commands, loaded only when they are asked for, and how every run ends."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING, NoReturn

import click

from crankfold.viewer.helping import ALSO, Command, problem_of, resolved, write_commands
from crankfold.viewer.words import LANGUAGES, complain, prepare, say, speak, worded

if TYPE_CHECKING:
    from crankfold.acquire import Plugins

VERDICT, BAD_INPUT, NO_VERDICT, OWN_FAULT, INTERRUPTED, PIPE_CLOSED = 0, 2, 3, 1, 130, 141
"""Exit statuses: a verdict; bad usage or input; no verdict; a fault of this program; Ctrl-C; the reader went away."""

SOME_UNREAD, ALL_UNREAD = 4, 5
"""Exit statuses of a batch that wrote its table: some recordings could not be read, or none could."""

COMMANDS = ("demo", "analyse", "capture", "window", "compare", "jobs", "batch", "study", "speed", "validate",
            "bundle", "export", "sheet", "listen", "practice", "engine", "rig", "check", "boards", "lend", "plugins")
"""In the order of help; each is ``command`` in a module of its name."""

NAME = "crankfold"
THREAD_VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""Matrices are small here: threads only wait for each other, and on a busy machine fits took twenty times as long."""
COMPLETION_VARIABLE = "_CRANKFOLD_COMPLETE"
TRACEBACK_VARIABLE = "CRANKFOLD_TRACEBACK"


class LazyGroup(click.Group):
    """A group whose commands are imported when they run, not when they are listed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of help."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one command, importing its module."""
        name = ALSO.get(cmd_name, cmd_name)
        if name not in COMMANDS:
            return None
        command = import_module(f"crankfold.viewer.commands.{name}").command
        assert isinstance(command, click.Command)
        return Command.of(command)

    def resolve_command(self, ctx: click.Context,
                        args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that is asked for; a misspelt one is answered with what was probably meant."""
        return resolved(self, ctx, args)

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the line that shows how the program is called."""
        formatter.write_usage(ctx.command_path, say("help.program_usage"), f"{say('help.usage')} ")

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Say what the program is for."""
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text(say("help.program"))

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the wording alone, then the few options of the program itself."""
        write_commands(formatter, COMMANDS)
        with formatter.section(say("help.options.program")):
            formatter.write_dl([*((_option_names(p), say(f"option.{p.name}")) for p in self.params),
                                ("-h, --help", say("option.help"))])
        formatter.write_paragraph()
        formatter.write_text(say("help.more"))


def _option_names(option: click.Parameter) -> str:
    return f"--language {'|'.join(LANGUAGES)}" if option.name == "language" else ", ".join(option.opts)


def _show_version(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if not value or ctx.resilient_parsing:
        return
    from crankfold.analysis import __version__

    click.echo(f"crankfold {__version__}")
    ctx.exit()


def _speak(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    if value is not None:
        speak(value)


def installed_plugins() -> Plugins:
    """Return the plugins that this run may use: after ``--no-plugins`` only those that come with this program."""
    from crankfold.acquire import load_plugins

    root = click.get_current_context().find_root()
    return load_plugins(enabled=not root.params.get("no_plugins", False))


@click.group(cls=LazyGroup, invoke_without_command=True, no_args_is_help=False,
             context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_show_version)
@click.option("--no-plugins", is_flag=True)
@click.option("--language", type=click.Choice(LANGUAGES), is_eager=True, expose_value=False, callback=_speak)
@click.pass_context
def program(ctx: click.Context, no_plugins: bool) -> None:
    """Run one of the commands; alone, show what there is."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status; a user's mistake is one line on standard error."""
    _open_what_is_closed()
    prepare()
    for variable in THREAD_VARIABLES:
        os.environ.setdefault(variable, "1")  # before numpy is loaded
    status = run(arguments)
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        status = _pipe_closed()
    except OSError as error:
        complain(say("problem.cannot_print", reason=error.strerror or str(error)))
        _drop_output()
        status = BAD_INPUT
    sys.exit(status)


def _open_what_is_closed() -> None:
    """Give standard streams that whoever started this has closed a place to go: no file of ours may take theirs."""
    for descriptor, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # it gets the lowest number that is free, which is this one
        if getattr(sys, name) is None:
            setattr(sys, name, open(descriptor, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def run(arguments: Sequence[str] | None = None) -> int:
    """Return the exit status of a run; everything but a fault of our own is said in one line."""
    speak(None)
    asked = os.environ.get(COMPLETION_VARIABLE)
    if asked:
        from click.shell_completion import shell_complete

        return shell_complete(program, {}, NAME, COMPLETION_VARIABLE, asked)
    try:
        with program.make_context(NAME, list(sys.argv[1:] if arguments is None else arguments)) as context:
            status = program.invoke(context)
        return status if isinstance(status, int) else VERDICT
    except click.exceptions.Exit as left:
        return left.exit_code
    except click.ClickException as error:
        return _usage(error)
    except (KeyboardInterrupt, click.Abort):
        complain(say("problem.interrupted"))
        return INTERRUPTED
    except BrokenPipeError:
        return _pipe_closed()
    except Exception as error:
        return _failed(error)


def _usage(error: click.ClickException) -> int:
    context = getattr(error, "ctx", None)
    command = context.command_path if isinstance(context, click.Context) else NAME
    complain(say("problem.usage", problem=problem_of(error, COMMANDS), command=command))
    return BAD_INPUT


def _failed(error: Exception) -> int:
    from crankfold.analysis import CrankfoldError

    if isinstance(error, CrankfoldError):
        complain(worded(error))
        return BAD_INPUT
    if isinstance(error, OSError):
        where = f" ({error.filename})" if error.filename else ""
        complain(say("problem.system", reason=f"{error.strerror or error}{where}"))
        return BAD_INPUT
    if isinstance(error, MemoryError):
        complain(say("problem.no_memory"))
        return BAD_INPUT
    if os.environ.get(TRACEBACK_VARIABLE):
        raise error
    complain(say("problem.own_fault", kind=type(error).__name__, text=str(error), variable=TRACEBACK_VARIABLE))
    return OWN_FAULT


def _pipe_closed() -> int:
    _drop_output()
    return PIPE_CLOSED


def _drop_output() -> None:
    """Point standard output at nothing, so that the interpreter does not complain again when it flushes at exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
