from .for_pytest import PluginContract, SourceContract
from .outcome import BROKEN, KEPT, NOT_TRIED, Rule, RuleOutcome
from .plugin_rules import PLUGIN_RULES, run_plugin_contract
from .source_case import SourceCase
from .source_contract import SOURCE_RULES, run_contract

__all__ = [
    "BROKEN", "KEPT", "NOT_TRIED", "PLUGIN_RULES", "PluginContract", "Rule", "RuleOutcome", "SOURCE_RULES",
    "SourceCase", "SourceContract", "run_contract", "run_plugin_contract",
]
