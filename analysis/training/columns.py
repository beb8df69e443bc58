"""The numbers of the prior by name, in the order in which the kernel finds them."""

from __future__ import annotations

ENGINE = (
    "ANGLE",
    "SPEED",
    "CYCLE",
    "ROD",
    "GAMMA",
    "HEAT",
    "WALL",
    "MANIFOLD",
    "EVO",
    "BACK_PRESSURE",
    "RELAX",
    "GAS",  # gas
    "DRY",
    "VISCOUS",
    "BREAKAWAY",
    "STRIBECK",
    "RUN_UP",
    "RUN_LENGTH",
    "STATIC",
    "RUBBING",
    "SHAKE",  # friction
    "LOAD_A",
    "ORDER_A",
    "PHASE_A",
    "PEAKY_A",
    "LOAD_B",
    "ORDER_B",
    "PHASE_B",
    "PEAKY_B",  # loads locked to the crank
    "ARMATURE",
    "ENGINE",
    "DRAG",  # inertia and the armature's own drag
    "STALL",
    "COIL",
    "BASE_FLUX",
    "KNEE",
    "SHARP",
    "REACTION",
    "BRUSH",
    "POLAR",
    "POLAR_TIME",
    "SAG",
    "WARM",  # starter
    "GASKET",
    "GASKET_A",
    "GASKET_B",
    "SHUTS_AT",
    "SCATTER",
    "SEED",  # cylinders together
    "FIRES_FROM",
    "FIRING",
    "BOOST",
    "SPARK",
    "CATCHES",  # combustion
)
CYLINDER = ("FIRES", "CLEARANCE", "FILL", "IVC", "EVO_OF", "LEAK", "LAW", "BEND", "OPENS_AT", "LOBE", "FLUTTER")
UNITS = {
    "ANGLE": "rad at the key",
    "SPEED": "rad/s, the wanted speed",
    "CYCLE": "rad, 4 pi or 2 pi",
    "HEAT": "1/s, loss to the walls",
    "RELAX": "s, pressure of open cylinders",
    "RUN_LENGTH": "rad",
    "COIL": "s, electrical lag",
    "POLAR_TIME": "s",
    "SAG": "1/s",
    "SHUTS_AT": "s, a decompressor",
    "FIRES_FROM": "s",
    "IVC": "rad",
    "EVO_OF": "rad",
    "EVO": "rad",
    "SPARK": "rad",
}
"""Where a number is no plain share."""


def declarations() -> str:
    """Return the C text that names the columns."""
    return f"enum EngineColumn {{ {', '.join(ENGINE)} }};\nenum CylinderColumn {{ {', '.join(CYLINDER)} }};\n"
