from .angle_axis import OverAngle, over_angle, peak_pressures, pulse_times
from .estimation import SpeedEstimate, estimate_from_speed
from .views import TwoViews, two_views
from .wheel import Motion, Wheel, motion_of, motion_of_speed

__all__ = [
    "Motion", "OverAngle", "SpeedEstimate", "TwoViews", "Wheel", "estimate_from_speed", "motion_of",
    "motion_of_speed", "over_angle", "peak_pressures", "pulse_times", "two_views",
]
