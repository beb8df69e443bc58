"""``crankfold check``: does the rig tell the truth, and does its board's plugin keep the rules."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from crankfold.acquire import Probe, Shelf, changed, check_rig, known_currents, observe, open_board, save_card
from crankfold.analysis import InputError
from crankfold.viewer.command_line import NO_VERDICT, VERDICT, installed_plugins
from crankfold.viewer.session import calibrate, can_ask, in_amperes, rig_of, settings_of, show, survived
from crankfold.viewer.words import column_lines, say, say_count, tell, working

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire import Finding, Plugins, Rig, Source
    from crankfold.acquire.testing import Rule, RuleOutcome

LISTEN_S = 5.0
RULE_S = 30.0  # for one rule: it opens the board up to six times, and some restart for two seconds each time
BY_HAND_S = 180.0  # and where a person has to get at the cable


@click.command("check", help=say("help.check.long"), short_help=say("help.check.short"))
@click.option("--from", "board", metavar="NAME[:ADDRESS]", help=say("option.from"))
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help=say("option.set"))
@click.option("--rig", metavar="NAME|FILE", help=say("option.rig"))
@click.option("--probe", "--clamp", "probe", metavar="SCALE", help=say("option.probe_any"))
@click.option("--seconds", type=click.FloatRange(1.0, 600.0), default=LISTEN_S, show_default=True, metavar="SECONDS",
              help=say("option.seconds"))
@click.option("--calibrate", metavar="0A,200A", help=say("option.calibrate"))
@click.option("--contract", is_flag=True, help=say("option.contract"))
def command(*, board: str | None, pairs: tuple[str, ...], probe: str | None, seconds: float, contract: bool,
            calibrate: str | None, **options: Any) -> int:
    """Check a rig and return the exit status: 0 fit for use, 3 something to change."""
    rig, settings = rig_of(options), settings_of(pairs)
    if board is None and rig is None:
        raise InputError(say("problem.no_board"))
    if board is None and rig is not None:
        board, settings = rig.board, rig.settings | settings
    plugins = installed_plugins()

    def opened() -> Source:
        return open_board(str(board), settings, plugins)

    def opened_in_sight() -> Source:
        with working(say("progress.opening", board=board)) as line, line.opening(str(board)):
            return opened()

    if calibrate is not None:
        return _calibrate(opened_in_sight, str(options["rig"]), rig, calibrate, seconds)
    if contract:
        return _contract(opened, plugins, str(board))
    return _rig(opened_in_sight, rig, probe, seconds)


def _calibrate(opened: Callable[[], Source], name: str, rig: Rig | None, text: str, seconds: float) -> int:
    from pathlib import Path

    currents = known_currents(text)
    if rig is None:
        raise InputError(say("problem.calibrate_no_rig"))
    better = changed(rig, {"probe": str(calibrate(opened, rig, currents, seconds))})
    path = Path(name) if name.endswith(".toml") else Shelf().save(name, better)
    if name.endswith(".toml"):
        save_card(path, better)
    show(better, str(path))
    return VERDICT


def _rig(opened: Callable[[], Source], rig: Rig | None, probe: str | None, seconds: float) -> int:
    with opened() as source:
        _said_on_opening(source)
        if source.info.live:
            tell(say("check.listening", length_s=seconds))
        with working(say("progress.listening")):
            observed = observe(source, seconds)
    findings = check_rig(observed, in_amperes(observed.capture, rig, Probe.parse(probe) if probe else None))
    for finding in findings:
        _row(finding)
    wrong = sum(not finding.passed for finding in findings)
    tell()
    tell(say_count("check.failed", wrong) if wrong else say("check.passed"), bold=True)
    return NO_VERDICT if wrong else VERDICT


def _row(finding: Finding) -> None:
    text = say(f"check.{'good' if finding.passed else 'bad'}.{finding.code}", **finding.facts)
    mark = say("check.ok" if finding.passed else "check.wrong")
    tell(say("check.row", mark=mark, text=text[:1].upper() + text[1:]), indent=1)


def _said_on_opening(source: Source) -> None:
    """Say at once what the driver has to say, and what each column holds where that had to be guessed."""
    for said in survived(source):
        tell(said)
    if source.info.guessed:
        tell(say("columns.heading"))
        for line in column_lines(source.info.columns):
            tell(line, indent=1)


def _contract(opened: Callable[[], Source], plugins: Plugins, board: str) -> int:
    from importlib import import_module

    from crankfold.acquire.testing import BROKEN, run_contract, run_plugin_contract
    from crankfold.viewer.session import VIRTUAL, prepare_virtual

    def progress(at: int, of: int, rule: Rule[Any]) -> None:
        click.echo(say("check.contract", number=at + 1, of=of, says=rule.says), err=True)

    by_hand, kind = _ByHand(opened), board.partition(":")[0].strip()
    if kind == VIRTUAL:
        prepare_virtual(plugins)  # what is compiled once is no fault of its start
    hands = can_ask() and kind in plugins.boards
    outcomes = run_contract(by_hand.open, progress=progress, break_it=by_hand.pull if hands else None,
                            deadline_s=BY_HAND_S if hands else RULE_S)
    if kind in plugins.boards:
        outcomes += run_plugin_contract(import_module(plugins.boards[kind].plugin.module), progress=progress)
    for outcome in outcomes:
        _outcome_row(outcome)
    broken = sum(outcome.state == BROKEN for outcome in outcomes)
    tell()
    tell(say_count("contract.failed", broken) if broken else say("contract.passed"), bold=True)
    return NO_VERDICT if broken else VERDICT


def _outcome_row(outcome: RuleOutcome) -> None:
    from crankfold.acquire.testing import BROKEN, KEPT

    states = {KEPT: "contract.kept", BROKEN: "contract.broken"}
    state = say(states.get(outcome.state, "contract.not_tried"))
    tell(say("contract.row", state=state, says=outcome.says), indent=1)
    if outcome.detail and outcome.state != KEPT:
        tell(say("contract.detail", detail=outcome.detail), indent=2)


class _ByHand:
    """A board whose cable a person pulls for the rules on breaking, and plugs in again before the next opening."""

    def __init__(self, opened: Callable[[], Source]) -> None:
        self._opened, self._pulled = opened, False

    def open(self) -> Source:
        """Return the open board, once it is plugged in again."""
        if self._pulled:
            click.prompt(say("contract.plug_in"), default="", show_default=False, err=True)
            self._pulled = False
        return self._opened()

    def pull(self, source: Source) -> None:
        """Let the person pull the cable out."""
        del source  # it is the cable that is pulled
        self._pulled = True
        click.prompt(say("contract.pull"), default="", show_default=False, err=True)
