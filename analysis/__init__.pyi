from .answer.hints import coded_cylinder
from .answer.verdict import Thresholds
from .capture import CURRENT, SYNC, Capture, Channel, Gap, find_gaps
from .engine import Engine, Fuel, SyncSpec
from .errors import InputError, quoted, shortened
from .many.comparison import Difference, compare
from .many.pooling import pooled_cranks
from .many.precision import CylinderPrecision, same_recordings, study
from .many.table import CRANKING, CYLINDER, HEALTH, Cell, result_row
from .model.estimation import Estimate
from .pipeline import analyse
from .result import Cranking, Cylinder, Health, Notice, Result, State, SyncFound
from .signal.conditioning import NoCranking, condition
from .signal.cranking import INRUSH_S
from .signal.detector import CrankingDetector, DetectorState, End, Onset
from .signal.trace import CrankingTrace
from .sync.anchor import Gauge
from .sync.pulses import find_marks

__all__ = [
    "CRANKING", "CURRENT", "CYLINDER", "Capture", "Cell", "Channel", "Cranking", "CrankingDetector", "CrankingTrace",
    "Cylinder", "CylinderPrecision", "DetectorState", "Difference", "End", "Engine", "Estimate", "Fuel", "Gap",
    "Gauge", "HEALTH", "Health", "INRUSH_S", "InputError", "NoCranking", "Notice", "Onset", "Result", "SYNC", "State",
    "SyncFound", "SyncSpec", "Thresholds", "analyse", "coded_cylinder", "compare", "condition", "find_gaps",
    "find_marks", "pooled_cranks", "quoted", "result_row", "same_recordings", "shortened", "study",
]
