from .ac_coupling import ac_probe
from .conditioning import NoCranking, condition
from .cranking import INRUSH_S
from .cycle_rate import CycleTrack, RateCandidate, rate_candidates, rivals, track_cycles
from .decompressor import after_decompressor
from .detector import CrankingDetector, DetectorState, End, Onset
from .firing import trend
from .heights import trough_heights
from .hum import Hum
from .hump_count import Better, better_count
from .humps import Humps
from .run_up import RunUp, with_enough_cycles
from .trace import CrankingTrace, Span

__all__ = [
    "Better", "CrankingDetector", "CrankingTrace", "CycleTrack", "DetectorState", "End", "Hum", "Humps", "INRUSH_S",
    "NoCranking", "Onset", "RateCandidate", "RunUp", "Span", "ac_probe", "after_decompressor", "better_count",
    "condition", "rate_candidates", "rivals", "track_cycles", "trend", "trough_heights", "with_enough_cycles",
]
