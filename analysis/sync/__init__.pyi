from .anchor import Gauge, anchored, gauge_from_marks
from .naming import Naming, name_by_marks, name_by_pattern, name_by_plug_out
from .pulses import Marks, find_marks
from .several import Joined, join_namings, pressure_found

__all__ = [
    "Gauge", "Joined", "Marks", "Naming", "anchored", "find_marks", "gauge_from_marks", "join_namings",
    "name_by_marks", "name_by_pattern", "name_by_plug_out", "pressure_found",
]
