from .catalogue import LANGUAGES, chosen_language, language, say, say_count, sentences_of, speak
from .cells import safe_cell
from .columns import column_lines, column_text, columns_setting
from .comparison import (
    change_cell,
    change_cells,
    changed_words,
    comparison_data,
    comparison_headline,
    differences_between,
    low_ones_first,
)
from .errors import worded, worded_usage
from .events import event_text, narrator
from .headlines import headline, low_ones, short_name
from .next_steps import KINDS, Kind, first_test, kind_of, reachable, said_for, steps, tree, tree_test
from .numbers import decimal_points, plain, pressure, use_units, usual_paper
from .progress import Line, judging_text, solver_ready, working
from .report import print_result, print_safety
from .result_json import json_text, result_data, result_text
from .sentences import Answer, answer, cylinder_cells, cylinder_headings, notice_text, safety
from .speed import speed_data, speed_headline, speed_lines, views_lines
from .study import budget_lines, groups_of, scatter_line, study_data, study_lines
from .terminal import complain, prepare, show_table, tame, tell
from .validation import Speeds, plain_sentence, validation_data, validation_headline, validation_lines

__all__ = [
    "Answer", "KINDS", "Kind", "LANGUAGES", "Line", "Speeds", "answer", "budget_lines", "change_cell", "change_cells",
    "changed_words", "chosen_language", "column_lines", "column_text", "columns_setting", "comparison_data",
    "comparison_headline", "complain", "cylinder_cells", "cylinder_headings", "decimal_points", "differences_between",
    "event_text", "first_test", "groups_of", "headline", "json_text", "judging_text", "kind_of", "language",
    "low_ones", "low_ones_first", "narrator", "notice_text", "plain", "plain_sentence", "prepare", "pressure",
    "print_result", "print_safety", "reachable", "result_data", "result_text", "safe_cell", "safety", "said_for",
    "say", "say_count", "scatter_line", "sentences_of", "short_name", "show_table", "solver_ready", "speak",
    "speed_data", "speed_headline", "speed_lines", "steps", "study_data", "study_lines", "tame", "tell", "tree",
    "tree_test", "use_units", "usual_paper", "validation_data", "validation_headline", "validation_lines",
    "views_lines", "worded", "worded_usage", "working",
]
