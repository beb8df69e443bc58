"""The rules as test classes: a plugin's tests are two lines.

    class TestBoard(SourceContract):
        open_source = staticmethod(lambda: open_my_board("", {}))

    class TestPlugin(PluginContract):
        plugin = my_plugin

Nothing here needs pytest to be installed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from crankfold.acquire.testing import behaviour_rules as behaviour
from crankfold.acquire.testing import plugin_rules
from crankfold.acquire.testing import source_rules as what
from crankfold.acquire.testing import stamp_rules as stamps
from crankfold.acquire.testing.outcome import BROKEN, Case, Rule
from crankfold.acquire.testing.plugin_case import PluginCase
from crankfold.acquire.testing.running import RULE_DEADLINE_S, try_rule
from crankfold.acquire.testing.source_case import CANNOT_OPEN, SourceCase

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from crankfold.acquire.contract import Source


def _hold(rule: Rule[Case], case: Case, deadline_s: float) -> None:
    outcome = try_rule(rule, case, deadline_s)
    assert outcome.state != BROKEN, f"{outcome.says}: {outcome.detail}"
    assert not outcome.detail.startswith(CANNOT_OPEN), outcome.detail


def _on_source(rule: Rule[SourceCase]) -> Callable[[SourceContract], None]:
    def test(self: SourceContract) -> None:
        _hold(rule, self.case(), self.deadline_s)

    test.__doc__ = rule.says
    return test


def _on_plugin(rule: Rule[PluginCase]) -> Callable[[PluginContract], None]:
    def test(self: PluginContract) -> None:
        _hold(rule, PluginCase(self.plugin), self.deadline_s)

    test.__doc__ = rule.says
    return test


class SourceContract:
    """All rules for a source as tests; a subclass gives `open_source`, and may give `break_it` and `lose`."""

    stretch_s: ClassVar[float] = 0.5
    pause_s: ClassVar[float] = 2.5
    deadline_s: ClassVar[float] = RULE_DEADLINE_S

    def open_source(self) -> Source:
        """Return the open source, not started; called once for each rule or more."""
        raise NotImplementedError("say how to open the source: define open_source")

    break_it: ClassVar[Callable[[Source], None] | None] = None
    lose: ClassVar[Callable[[Source], int | None] | None] = None

    def case(self) -> SourceCase:
        """Return what the rules are tried on."""
        kind = type(self)
        return SourceCase(self.open_source, self.stretch_s, kind.break_it, kind.lose, self.pause_s)

    test_info_complete = _on_source(what.info_complete)
    test_in_time = _on_source(behaviour.in_time)
    test_samples_come = _on_source(what.samples_come)
    test_only_known_errors = _on_source(what.only_known_errors)
    test_opening_does_not_start = _on_source(what.opening_does_not_start)
    test_info_stays = _on_source(what.info_stays)
    test_codes_as_promised = _on_source(what.codes_as_promised)
    test_codes_in_range = _on_source(what.codes_in_range)
    test_blocks_keep = _on_source(what.blocks_keep)
    test_empty_blocks = _on_source(what.empty_blocks)
    test_numbering = _on_source(what.numbering)
    test_end_is_no_error = _on_source(what.end_is_no_error)
    test_same_again = _on_source(what.same_again)
    test_warnings_are_sentences = _on_source(what.warnings_are_sentences)
    test_rate_is_true = _on_source(behaviour.rate_is_true)
    test_slow_reader = _on_source(behaviour.slow_reader)
    test_loss_is_counted = _on_source(behaviour.loss_is_counted)
    test_breaking_is_told = _on_source(behaviour.breaking_is_told)
    test_closes_when_broken = _on_source(behaviour.closes_when_broken)
    test_device_stamps = _on_source(stamps.device_stamps)
    test_records_end = _on_source(stamps.records_end)
    test_stop_and_close_any_time = _on_source(behaviour.stop_and_close_any_time)
    test_refused_after_the_end = _on_source(behaviour.refused_after_the_end)
    test_any_one_thread = _on_source(behaviour.any_one_thread)
    test_close_lets_go = _on_source(behaviour.close_lets_go)


class PluginContract:
    """All rules for a plugin's module as tests; a subclass gives `plugin`."""

    plugin: ClassVar[ModuleType]
    deadline_s: ClassVar[float] = RULE_DEADLINE_S

    test_contract_number = _on_plugin(plugin_rules.contract_number)
    test_hooks_declare = _on_plugin(plugin_rules.hooks_declare)
    test_declaring_touches_nothing = _on_plugin(plugin_rules.declaring_touches_nothing)
    test_well_declared = _on_plugin(plugin_rules.well_declared)
    test_discovers_in_time = _on_plugin(plugin_rules.discovers_in_time)
    test_discovering_touches_nothing = _on_plugin(plugin_rules.discovering_touches_nothing)
    test_settings_declared = _on_plugin(plugin_rules.settings_declared)
    test_nobody_there = _on_plugin(plugin_rules.nobody_there)
    test_no_such_file = _on_plugin(plugin_rules.no_such_file)
    test_recognises_calmly = _on_plugin(plugin_rules.recognises_calmly)
