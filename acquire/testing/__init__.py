"""The kit that proves a driver or a reader right: one rule, one function, with pytest or without.

In a plugin's own tests, two lines (`SourceContract` and `PluginContract` have one test a rule)::

    class TestBoard(SourceContract):
        open_source = staticmethod(lambda: open_my_board("", {}))

Anywhere else, on a real board too::

    for outcome in run_contract(lambda: open_my_board("", {})):
        print(outcome.state, outcome.rule, outcome.detail)
"""

from __future__ import annotations

from crankfold.acquire.testing.for_pytest import PluginContract, SourceContract
from crankfold.acquire.testing.outcome import BROKEN, KEPT, NOT_TRIED, Rule, RuleOutcome
from crankfold.acquire.testing.plugin_rules import PLUGIN_RULES, run_plugin_contract
from crankfold.acquire.testing.source_case import SourceCase
from crankfold.acquire.testing.source_contract import SOURCE_RULES, run_contract

__all__ = ["BROKEN", "KEPT", "NOT_TRIED", "PLUGIN_RULES", "SOURCE_RULES", "PluginContract", "Rule", "RuleOutcome",
           "SourceCase", "SourceContract", "run_contract", "run_plugin_contract"]
