"""Turning the engines of the prior: by one kernel, compiled for a GPU or with a C++ compiler."""

from __future__ import annotations

import ctypes
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from columns import declarations
from prior import COUNTS, Drawn

STEP_S, EVERY, SECONDS = 0.25e-3, 8, 4.6
SAMPLES = int(SECONDS / STEP_S) // EVERY
STEPS = SAMPLES * EVERY
SAMPLE_S = STEP_S * EVERY
HERE = Path(__file__).parent


def source() -> str:
    """Return the kernel's text with the columns named in front."""
    return declarations() + (HERE / "crank.h").read_text()


@cache
def library(cylinders: int) -> Any:
    """Return the kernel for one number of cylinders compiled with g++, in a folder that is gone afterwards.

    It is linked by a call of its own: one that links with fast mathematics adds a start that rounds the least numbers
    of the whole program to zero.
    """
    with tempfile.TemporaryDirectory() as folder:
        text, compiled, built = (Path(folder) / f"crank.{kind}" for kind in ("cpp", "o", "so"))
        text.write_text(source())
        fast = ["-O3", "-ffast-math", "-fno-finite-math-only", "-march=native", "-std=c++17", "-fPIC"]
        sized = f"-DCYLINDERS={cylinders}"
        for command in (["g++", *fast, sized, "-c", "-o", compiled, text], ["g++", "-shared", "-o", built, compiled]):
            subprocess.run(command, check=True, capture_output=True)
        return ctypes.CDLL(str(built))


def turn_here(drawn: Drawn, steps: int = STEPS, every: int = EVERY, step_s: float = STEP_S) -> dict[str, Any]:
    """Return current and angle, (samples, B), peaks (n, B) and extra (2, B) of engines, turned on this processor."""
    _, n, size = drawn.cylinder.shape
    out = {"current": (steps // every, size), "angle": (steps // every, size), "peak": (n, size), "extra": (2, size)}
    made = {k: np.zeros(shape, dtype=np.float32) for k, shape in out.items()}
    given = [np.ascontiguousarray(x, dtype=np.float32) for x in (drawn.engine, drawn.cylinder)]
    pointers = [x.ctypes.data_as(ctypes.c_void_p) for x in (*given, *made.values())]
    library(n).crank(*pointers, size, steps, every, ctypes.c_float(step_s))
    return made


@cache
def module() -> Any:
    """Return the kernel compiled by NVRTC for every number of cylinders."""
    import cupy

    names = [f"crank<{n}>" for n in COUNTS]
    return cupy.RawModule(code=source(), options=("--use_fast_math", "-std=c++17"), name_expressions=names)


def turn_there(drawn: Drawn) -> dict[str, Any]:
    """Return the same as `turn_here` of engines on the GPU, on cupy's current stream."""
    import cupy

    _, n, size = drawn.cylinder.shape
    made = {
        "current": cupy.empty((SAMPLES, size), cupy.float32),
        "angle": cupy.empty((SAMPLES, size), cupy.float32),
        "peak": cupy.empty((n, size), cupy.float32),
        "extra": cupy.empty((2, size), cupy.float32),
    }
    module().get_function(f"crank<{n}>")(
        ((size + 127) // 128,),
        (128,),
        (
            drawn.engine,
            drawn.cylinder,
            *made.values(),
            cupy.int32(size),
            cupy.int32(STEPS),
            cupy.int32(EVERY),
            cupy.float32(STEP_S),
        ),
    )
    return made
