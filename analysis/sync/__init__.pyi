from .anchor import Gauge, anchored, gauge_from_marks
from .cam_angle import CamAngle, learn_cam_angle
from .naming import Naming, name_by_marks, name_by_pattern, name_by_plug_out
from .pulses import Marks, find_marks
from .several import Joined, join_namings, pressure_found

__all__ = [
    "CamAngle", "Gauge", "Joined", "Marks", "Naming", "anchored", "find_marks", "gauge_from_marks", "join_namings",
    "learn_cam_angle", "name_by_marks", "name_by_pattern", "name_by_plug_out", "pressure_found",
]
