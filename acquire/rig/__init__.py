"""Rigs: probes and their scales, wiring, cards on disk, calibration and the check of a rig."""
