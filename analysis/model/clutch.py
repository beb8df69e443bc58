"""The one-way clutch: when it opens, and what speed is shared when it closes. Times stand for inertias."""

from __future__ import annotations

from crankfold.analysis.model.compiling import compiled


@compiled(inline="always")
def clutch_torque(motor: float, load: float, armature_s: float, engine_s: float) -> float:
    """Return the torque through the closed clutch; it opens where this turns negative.

    The armature keeps what accelerates itself: ``motor - armature_s * (motor - load) / (armature_s + engine_s)``.
    """
    return (engine_s * motor + armature_s * load) / (armature_s + engine_s)


@compiled(inline="always")
def shared_speed(armature: float, engine: float, armature_s: float, engine_s: float) -> float:
    """Return the common speed after the clutch closes, momentum kept."""
    return (armature_s * armature + engine_s * engine) / (armature_s + engine_s)
