"""Where cranking begins and ends in current samples, as a stream or a whole recording."""

from __future__ import annotations

from crankfold.analysis.signal.detector.detector import CrankingDetector, DetectorState, Onset, Passed
from crankfold.analysis.signal.detector.watch import End

__all__ = ["CrankingDetector", "DetectorState", "End", "Onset", "Passed"]
