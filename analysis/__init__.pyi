from .answer.hints import coded_cylinder
from .answer.verdict import Thresholds
from .capture import BATTERY, BATTERY_VOLTAGE, CURRENT, CUT_SHORT, PRESSURE, SYNC, Capture, Channel, Gap, find_gaps
from .engine import MAX_CYLINDERS, Engine, Fuel, SyncSpec, least_rate_hz
from .errors import CrankfoldError, InputError, quoted, shortened
from .many.agreement import Agreement, agreement
from .many.budget import Budget, Component, budget, percent_budget
from .many.comparison import Difference, compare
from .many.drilled_plug import percent_with_hole
from .many.frames import from_pandas, from_xarray, results_frame, to_pandas, to_xarray
from .many.gauge_speed import HIGHEST_RPM, LOWEST_RPM, AtGaugeSpeed, at_gauge_speed, carried_over
from .many.mixed import Components, components, study_components
from .many.pooling import pooled_cranks
from .many.precision import CylinderPrecision, same_recordings, study
from .many.proportion import Proportion
from .many.reference import Reference, reference
from .many.table import CRANKING, CYLINDER, HEALTH, Cell, result_row
from .many.validation import Case, CylinderSaid, Pair, Validation, Verdicts, right_share, validate
from .motion import (
    Motion,
    OverAngle,
    SpeedEstimate,
    TwoViews,
    Wheel,
    estimate_from_speed,
    motion_of,
    motion_of_speed,
    over_angle,
    peak_pressures,
    pulse_times,
    two_views,
)
from .pipeline import analyse
from .posterior import Estimate
from .result import Cranking, Cylinder, Health, Notice, Result, State, SyncFound
from .signal.conditioning import NoCranking, condition
from .signal.cranking import INRUSH_S
from .signal.detector import CrankingDetector, DetectorState, End, Onset
from .signal.trace import CrankingTrace
from .sync.anchor import BAR_IN, HIGHEST_BAR, Gauge
from .sync.cam_angle import CamAngle, learn_cam_angle
from .sync.pulses import find_marks
from .version import __version__

__all__ = [
    "Agreement", "AtGaugeSpeed", "BAR_IN", "BATTERY", "BATTERY_VOLTAGE", "Budget", "CRANKING", "CURRENT", "CUT_SHORT",
    "CYLINDER", "CamAngle", "Capture", "Case", "Cell", "Channel", "Component", "Components", "CrankfoldError",
    "Cranking", "CrankingDetector", "CrankingTrace", "Cylinder", "CylinderPrecision", "CylinderSaid", "DetectorState",
    "Difference", "End", "Engine", "Estimate", "Fuel", "Gap", "Gauge", "HEALTH", "HIGHEST_BAR", "HIGHEST_RPM",
    "Health", "INRUSH_S", "InputError", "LOWEST_RPM", "MAX_CYLINDERS", "Motion", "NoCranking", "Notice", "Onset",
    "OverAngle", "PRESSURE", "Pair", "Proportion", "Reference", "Result", "SYNC", "SpeedEstimate", "State",
    "SyncFound", "SyncSpec", "Thresholds", "TwoViews", "Validation", "Verdicts", "Wheel", "__version__", "agreement",
    "analyse", "at_gauge_speed", "budget", "carried_over", "coded_cylinder", "compare", "components", "condition",
    "estimate_from_speed", "find_gaps", "find_marks", "from_pandas", "from_xarray", "learn_cam_angle",
    "least_rate_hz", "motion_of", "motion_of_speed", "over_angle", "peak_pressures", "percent_budget",
    "percent_with_hole", "pooled_cranks", "pulse_times", "quoted", "reference", "result_row", "results_frame",
    "right_share", "same_recordings", "shortened", "study", "study_components", "to_pandas", "to_xarray", "two_views",
    "validate",
]
