from .anchor import Gauge, anchored, gauge_from_marks
from .naming import Naming, name_by_marks, name_by_pattern, name_by_plug_out
from .pulses import Marks, find_marks
from .rhythm import rhythm_against

__all__ = [
    "Gauge", "Marks", "Naming", "anchored", "find_marks", "gauge_from_marks", "name_by_marks", "name_by_pattern",
    "name_by_plug_out", "rhythm_against",
]
