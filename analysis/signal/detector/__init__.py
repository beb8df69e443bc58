"""Where cranking begins and ends in current samples, as a stream or a whole recording."""

from __future__ import annotations

from crankfold.analysis.signal.detector.detector import CrankingDetector, DetectorState
from crankfold.analysis.signal.detector.watch import End, Onset, Passed

__all__ = ["CrankingDetector", "DetectorState", "End", "Onset", "Passed"]
