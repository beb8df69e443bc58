from .anchor import Gauge, anchored, gauge_from_marks
from .naming import Naming, name_by_marks, name_by_pattern, name_by_plug_out
from .pressure_channel import pressure_found
from .pulses import Marks, find_marks
from .rhythm import rhythm_against
from .several import Joined, join_namings

__all__ = [
    "Gauge", "Joined", "Marks", "Naming", "anchored", "find_marks", "gauge_from_marks", "join_namings",
    "name_by_marks", "name_by_pattern", "name_by_plug_out", "pressure_found", "rhythm_against",
]
