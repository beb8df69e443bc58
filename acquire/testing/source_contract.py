"""All rules for a source, for programs that check a board without a test runner."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.acquire.testing import behaviour_rules as behaviour
from crankfold.acquire.testing import source_rules as what
from crankfold.acquire.testing import stamp_rules as stamps
from crankfold.acquire.testing.running import RULE_DEADLINE_S, try_rules
from crankfold.acquire.testing.source_case import LONGEST_PAUSE_S, SourceCase

if TYPE_CHECKING:
    from collections.abc import Callable

    from crankfold.acquire.contract import Source
    from crankfold.acquire.testing.outcome import Rule, RuleOutcome

SOURCE_RULES: tuple[Rule[SourceCase], ...] = (
    what.info_complete, behaviour.in_time, what.samples_come, what.only_known_errors, what.opening_does_not_start,
    what.info_stays, what.codes_as_promised, what.codes_in_range, what.blocks_keep, what.empty_blocks, what.numbering,
    what.end_is_no_error, what.same_again, what.warnings_are_sentences, behaviour.rate_is_true, behaviour.slow_reader,
    behaviour.loss_is_counted, behaviour.breaking_is_told, behaviour.closes_when_broken, stamps.device_stamps,
    stamps.records_end, behaviour.stop_and_close_any_time, behaviour.refused_after_the_end, behaviour.any_one_thread,
    behaviour.close_lets_go)
"""In the order in which they are tried: what may hang first, so that it is found there."""


def run_contract(open_source: Callable[[], Source], *, stretch_s: float = 1.0,
                 break_it: Callable[[Source], None] | None = None,
                 lose: Callable[[Source], int | None] | None = None, pause_s: float = LONGEST_PAUSE_S,
                 deadline_s: float = RULE_DEADLINE_S,
                 progress: Callable[[int, int, Rule[SourceCase]], None] | None = None) -> list[RuleOutcome]:
    """Return what came of every rule on this source; takes about a minute on a board, at most the deadline a rule.

    Parameters
    ----------
    open_source
        Gives the open source, not started; called once for each rule or more, never twice at a time.
    stretch_s
        How long to listen for one rule, seconds.
    break_it
        Breaks a running source, or lets a person pull the cable; the rules on breaking need it.
    lose
        Makes a running source lose samples, returns how many or None; the rule on counted loss needs it.
    pause_s
        The longest pause of a slow reader, which is to overrun what the driver holds.
    deadline_s
        For one rule; one that takes longer hangs, and the rules after it are not tried.
    progress
        Called before each rule with its index, the number of rules, and the rule.

    Raises
    ------
    AcquireError
        The source cannot be opened in the first place.
    """
    open_source().close()
    return try_rules(SOURCE_RULES, SourceCase(open_source, stretch_s, break_it, lose, pause_s), deadline_s=deadline_s,
                     progress=progress)
